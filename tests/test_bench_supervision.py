"""A driven chamber under random faults, on a simulated clock: it stays within what physics allow, and nobody lies about it.

A thousand seeds with a cut-out that reads the watchdog file, and some hundred without. The bounds are heat balances of the chamber
that is simulated (`chamber_world.py`); that chamber is invented.
"""

from __future__ import annotations

import math
import random
from pathlib import Path

import pytest
from chamber_world import DURATION_S, FAULTS, JOB, LIMITS, STORED_C, Fault, World, bound_c, drawn, run

from tcomp.bench.chamber import LineController, Phase, Supervisor, watchdog_age_s

SEEDS = 1000


@pytest.mark.parametrize(("cut_out", "seeds"), [(True, SEEDS), (False, 400)])
def test_a_thousand_seeds_of_faults_keep_the_chamber_within_what_physics_allow(cut_out: bool, seeds: int) -> None:
    runs = [run(seed, cut_out=cut_out) for seed in range(seeds)]
    broken = {seed: found.broken for seed, found in enumerate(runs) if found.broken}
    assert not broken
    # The faults bite: many plans are left, alarms are raised, and programs killed.
    assert sum(found.left for found in runs) > 0.3 * seeds
    assert sum(found.alarms > 0 for found in runs) > 0.1 * seeds
    assert sum(found.killed for found in runs) > 0.1 * seeds
    assert (sum(found.cut for found in runs) > 0.3 * seeds) is cut_out
    if not cut_out:
        # What the cut-out is for: without it some runaways and kills end far beyond that bound.
        assert max(found.hottest_c for found in runs) > bound_c(watchdog_age_s(JOB)) + 50.0


def test_the_faults_are_of_every_kind_and_each_seed_has_its_own() -> None:
    found = [drawn(random.Random(seed)) for seed in range(SEEDS)]
    assert {fault.kind for faults in found for fault in faults} == set(FAULTS)
    assert sum(not faults for faults in found) > 50, "some have none: then nothing may be left or cut off"


def test_the_simulated_chamber_stores_what_its_heat_balance_says() -> None:
    """At full power from the start, then off at once: the board may rise by no more than rate x time constant."""
    world = World(random.Random(0), [Fault("runaway", 0.0, math.inf)])
    world.advance(25.0)
    cut_c = world.board_c
    world.powered = False
    world.advance(60.0)
    assert 0.6 * STORED_C < world.hottest_c - cut_c < STORED_C, "the room takes the rest"


class ThreeTries(Supervisor):
    def _make_safe(self) -> None:
        if self._tries < 3:
            super()._make_safe()


class NobodyAfterSafe(Supervisor):
    def _dangers(self) -> dict[str, str]:
        return {}


class TouchesAlways(Supervisor):
    def step(self) -> None:
        super().step()
        self._touch_watchdog()


class BelievesAnyEcho(Supervisor):
    def _send(self, set_point_c: float) -> None:
        self._controller.set_c(set_point_c)
        self.sent_c = set_point_c


class TrustsADeadSensor(Supervisor):
    @property
    def _silent_s(self) -> float:
        return 0.0


class KnowsNoLimit(Supervisor):
    def _within(self, temperature_c: float) -> bool:
        return True


class SafeOnce(Supervisor):
    def _make_safe(self) -> None:
        if self.phase is not Phase.SAFE:
            super()._make_safe()


@pytest.mark.parametrize(
    ("planted", "seeds", "word"),
    [
        (ThreeTries, 100, "over a clean line"),
        (NobodyAfterSafe, 150, "no alarm was raised"),
        (TouchesAlways, 50, "was touched"),
        (BelievesAnyEcho, 400, "over a clean line"),
        (SafeOnce, 400, "over a clean line"),
        (KnowsNoLimit, 150, "still followed"),
        (TrustsADeadSensor, 150, "still followed"),
    ],
)
def test_a_fault_planted_in_the_supervisor_is_found(planted: type[Supervisor], seeds: int, word: str) -> None:
    for seed in range(seeds):
        if any(word in broken for broken in run(seed, planted, cut_out=False).broken):
            return
    pytest.fail(f"{planted.__name__} is not found in {seeds} seeds")


def test_one_late_echo_of_an_earlier_set_point_confirms_nothing() -> None:
    """The safe set-point is lost on the way while the echo of another of 20 degC still comes: that is no confirmation."""
    world = World(random.Random(0), [])
    found = Supervisor(
        LineController(JOB, world, world.clock_s), JOB, LIMITS, Path(), world.clock_s, lambda *_: None
    )  # fmt: skip
    found.open()
    world.set_point_c = 50.0
    world.faults = [Fault("deaf", 0.0, world.now_s + 5.0)]
    world.echoes.append((world.now_s + 0.5, b"SP 20.00"))
    found.give_up("a fault")
    found.step()
    assert found.phase is Phase.UNCONFIRMED
    while world.now_s < DURATION_S:
        world.advance(0.25)
        found.step()
    assert found.phase is Phase.SAFE
    assert world.set_point_c == 20.0


@pytest.mark.parametrize("echo_s", [0.1, 1.9])
def test_killed_the_cut_out_acts_within_the_stated_age_and_a_slow_controller_does_not_trip_it(echo_s: float) -> None:
    assert watchdog_age_s(JOB) == 10.0, "the figure of docs/commands/log.md"
    world = World(random.Random(0), [], watchdog_age_s(JOB), echo_s=echo_s)
    found = Supervisor(LineController(JOB, world, world.clock_s), JOB, LIMITS, Path(), world.clock_s, lambda *_: None)
    found.watchdog = world  # type: ignore[assignment]  # what is used of it
    found.open()
    for second in range(60):
        world.advance(0.25)
        found.observe(world.now_s, world.board_c)
        found.request(20.0 + 0.5 * second)
        found.step()
    assert world.powered
    killed_s = world.now_s
    while world.powered:
        world.advance(0.25)
    assert 8.0 < world.now_s - killed_s <= 10.25
