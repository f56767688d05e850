"""The pictures of docs/report.md: parts of the sample's report, as Chromium shows them.

    python benchmarks/report_pictures.py REPORT.html

writes docs/pictures/report_answer.png and report_curve.png. Needs what `tests/test_report_accessible.py` needs.
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
sys.path.insert(0, str(ROOT / "tests"))


def main(report: Path) -> None:
    """The top of the page, and the chart of the curve with a value read off."""
    from browsers import chromium, shown
    from PIL import Image

    into = ROOT / "docs" / "pictures"
    into.mkdir(parents=True, exist_ok=True)
    with chromium() as browser, shown(browser, report.resolve(), width=860) as opened:
        opened.page.screenshot(path=into / "report_answer.png", clip={"x": 0, "y": 0, "width": 860, "height": 900})
        chart = opened.page.locator("#chart-curve")
        chart.scroll_into_view_if_needed()
        opened.page.wait_for_selector("#chart-curve canvas")
        chart.get_by_role("button", name="Zoom in").click()
        chart.scroll_into_view_if_needed()
        opened.wait(300)
        box = chart.locator(".u-over").nth(1).bounding_box()
        opened.page.mouse.move(box["x"] + 0.4 * box["width"], box["y"] + box["height"] / 2)
        opened.wait(300)
        chart.screenshot(path=into / "report_curve.png")
    for picture in into.glob("report_*.png"):
        # A few dozen colours are all that such a page has.
        Image.open(picture).convert("RGB").quantize(96).save(picture, optimize=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
