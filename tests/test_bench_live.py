"""Views are drawn in threads of their own: one that is stuck holds up nothing but itself."""

from __future__ import annotations

import threading
import time
from typing import Any

import pytest

from tcomp.bench.live import MAX_WAITING, Display, Event


class Looks:
    """Keeps what it is shown; may be stuck."""

    patience_s = 60.0  # of a machine that has much else to do

    def __init__(self) -> None:
        self.free = threading.Event()
        self.free.set()
        self.seen: list[Any] = []
        self.closed = False

    def show(self, state: Any) -> None:
        self.free.wait()
        self.seen.append(state)

    def notify(self, event: Event) -> None:
        self.free.wait()
        self.seen.append(event.text)

    def close(self) -> None:
        self.closed = True


def event(text: str) -> Event:
    return Event(0.0, "fault", text)


def test_events_come_in_their_order_and_the_newest_state_after_them() -> None:
    view = Looks()
    view.free.clear()
    display = Display((view,))
    for number in range(5):
        display.notify(event(str(number)))
        display.show(number)
    view.free.set()
    display.close()
    assert [one for one in view.seen if isinstance(one, str)] == ["0", "1", "2", "3", "4"]
    states = [one for one in view.seen if not isinstance(one, str)]
    assert states == sorted(states)
    assert states[-1] == 4, "frames may be missed, the last is not"
    assert view.closed


def test_a_view_that_is_stuck_holds_up_no_other_and_is_left_at_the_end() -> None:
    stuck, well = Looks(), Looks()
    stuck.free.clear()
    stuck.patience_s = 0.2
    display = Display((stuck, well))
    for number in range(10 * MAX_WAITING):
        display.notify(event(str(number)))
        display.show(number)
    display.close()
    assert well.closed
    assert well.seen[-1] == 10 * MAX_WAITING - 1
    assert not stuck.closed
    stuck.free.set()


def test_what_waits_for_a_stuck_view_does_not_grow() -> None:
    view = Looks()
    view.free.clear()
    display = Display((view,))
    display.notify(event("first"))
    time.sleep(0.1)  # it is taken, or waits with the others: both is well
    for number in range(3 * MAX_WAITING):
        display.notify(event(str(number)))
    view.free.set()
    display.close()
    assert len(view.seen) <= MAX_WAITING + 1
    assert view.seen[-1] == str(3 * MAX_WAITING - 1)


def test_a_view_that_fails_is_told_once_and_drawn_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    fails, well = Looks(), Looks()
    monkeypatch.setattr(fails, "show", lambda _: 1 / 0)
    display = Display((fails, well))
    display.show(1)
    troubles: list[str] = []
    began_s = time.monotonic()
    while not troubles and time.monotonic() - began_s < 60.0:
        troubles = display.new_troubles()
    assert troubles == ["a view of the run is left, ZeroDivisionError('division by zero')"]
    assert display.new_troubles() == []
    display.show(2)
    display.close()
    assert well.seen[-1] == 2
    assert display.has_views
