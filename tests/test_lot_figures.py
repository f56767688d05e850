"""What units are like together: odd ones found as often as promised, curves in one basis, yield; invented lots."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from lots import LOT, log_text, offset_ppb, sound_logs, write_lot
from numpy.polynomial import chebyshev

from tcomp.estimation.prior import ODD, ROBUST_FROM, read_prior
from tcomp.lot.comparison import _limit, common_curves, judge_units
from tcomp.lot.figures import UnitResult, _reason, read_result
from tcomp.lot.lot import make_lot
from tcomp.results import Folder


@pytest.fixture(scope="module")
def lot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Fourteen boards: 05 is cut at another angle, 09 stops at 10 degC, 12's counter is noisy, 13's log is empty."""
    folder = tmp_path_factory.mktemp("lot")
    logs = sound_logs(14)
    logs |= {"g05": log_text(5, slope=-420.0), "g09": log_text(9, high_c=10.0), "g12": log_text(12, noise_ppb=60.0)}
    logs["g13"] = "utc,board_c,osc_hz\n"
    make_lot(write_lot(folder, logs), folder / "out")
    return folder / "out"


def figures(lot: Path) -> dict:
    return json.loads((lot / "lot.json").read_text())


def test_odd_units_are_named_with_what_stands_out(lot: Path) -> None:
    odd = {one["unit"]: one["why"] for one in figures(lot)["odd"]["units"]}
    assert set(odd) == {"g05", "g09", "g12"}
    assert odd["g05"].startswith("slope at inflection -420")
    assert re.fullmatch(r"its curve covers only -20 to 9\.\d+ degC", odd["g09"])
    scatter = re.match(r"left, held out, RMS ([\d.]+), ", odd["g12"])
    # 60 ppb planted; four standard errors of a standard deviation of 240 samples are 11 ppb.
    assert scatter is not None
    assert float(scatter.group(1)) == pytest.approx(60.0, abs=11.0)


def test_the_page_says_of_each_why_it_needs_a_look(lot: Path) -> None:
    page = (lot / "lot.html").read_text()
    assert page.count("<td>covers too little</td>") == 2  # once with its reason, once among all units
    assert "<td>odd, not within the need</td>" in page.replace("<span>", "").replace("</span>", "")
    assert "slope at inflection -420" in page.replace("<span>", "").replace("</span>", "")


def test_an_odd_combination_is_said_to_be_one() -> None:
    assert _reason([(1.2, "tilt 3, 1.2 spreads above the median of 1")]).startswith("no figure stands out alone")
    assert _reason([(9.0, "tilt"), (4.0, "bend"), (3.5, "level")]) == "tilt; bend"


def test_the_yield_counts_units_that_failed_or_cover_too_little_as_not_meeting(lot: Path) -> None:
    found = figures(lot)["yield"]
    # 09 covers too little, 12 scatters by 60 ppb, 13 failed; 05 is odd, and its table is as good as any.
    assert (found["meeting"], found["of"]) == (11, 14)
    # Clopper and Pearson's interval of 11 in 14, from the beta distribution as in most textbooks (scipy.stats.beta):
    # beta.ppf(0.025, 11, 4) = 0.4920, beta.ppf(0.975, 12, 3) = 0.9534.
    assert [found["low"], found["high"]] == pytest.approx([0.4920, 0.9534], abs=1e-4)


def unit_result(lot: Path, name: str) -> UnitResult:
    return read_result(lot, name)


def test_the_error_of_a_unit_is_summed_from_its_own_figures(lot: Path) -> None:
    # Held-out samples and the reference (k = 2) in quadrature; the table's worst error is a bound and is added (JCGM 100 F.2.4.5).
    unit = unit_result(lot, "g01")
    curve = replace(unit.curve, reference_u_ppb=7.0)
    residual = replace(unit.summary.residual, held_out_p95_ppb=30.0)
    table = replace(unit.summary.table, max_error_ppb=5.0)
    known = replace(unit, curve=curve, summary=replace(unit.summary, residual=residual, table=table))
    assert known.error_ppb == pytest.approx((30.0**2 + 14.0**2) ** 0.5 + 5.0)
    assert known.meets(38.2, short=False) is True
    assert known.meets(38.0, short=False) is False
    assert known.meets(None, short=False) is None


def test_a_unit_whose_c_is_disproved_does_not_meet_the_need(lot: Path) -> None:
    unit = unit_result(lot, "g01")
    assert unit.meets(1e6, short=False) is True
    proof = replace(unit.summary.proof, holds=False)
    assert replace(unit, summary=replace(unit.summary, proof=proof)).meets(1e6, short=False) is False


def test_the_distributions_are_those_of_the_units(lot: Path) -> None:
    slope = figures(lot)["figures"]["slope at inflection"]
    with (lot / "lot.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["slope at inflection [ppb/degC]"]]
    values = np.array([float(row["slope at inflection [ppb/degC]"]) for row in rows])
    assert slope["units"] == len(values) == 13
    assert slope["median"] == pytest.approx(np.median(values))
    # 1.4826 = 1 / (the normal distribution's 75 % point): the median distance of a normal sample is 0.6745 sigma.
    assert slope["robust_spread"] == pytest.approx(1.4826 * np.median(np.abs(values - np.median(values))))
    assert slope["median_own_u"] == pytest.approx(
        np.median([float(r["u of slope at inflection [ppb/degC]"]) for r in rows])
    )


def test_the_prior_is_the_mean_curve_of_the_units_that_are_not_odd(lot: Path) -> None:
    prior = read_prior(lot / "lot.json")
    assert (prior.basis.degree, prior.units, prior.left_out) == (3, 10, ("g05", "g12"))
    at_c = np.array([-10.0, 25.0, 50.0])
    usual = [name for name in sorted(sound_logs(14)) if name not in ("g05", "g09", "g12", "g13")]
    mean = np.mean([Folder(lot / name).read_curve().offset_ppb(at_c) for name in usual], axis=0)
    low_c, high_c = prior.basis.low_c, prior.basis.high_c
    found = chebyshev.chebval((2 * at_c - low_c - high_c) / (high_c - low_c), prior.mean)
    # Both are means of the same curves: what is left is rounding.
    assert found == pytest.approx(mean, abs=1e-6)
    assert np.all(np.linalg.eigvalsh(np.array(prior.between)) > 0)


def test_curves_of_other_bases_are_brought_to_one_with_their_uncertainty(lot: Path) -> None:
    curves = {name: Folder(lot / name).read_curve() for name in ("g01", "g02", "g03", "g04")}
    found = common_curves(curves)
    at_c = np.linspace(found.basis.low_c, found.basis.high_c, 7)
    columns = found.basis.values(at_c)
    for place, curve in enumerate(curves.values()):
        # A cubic is a cubic over any range: equal to rounding.
        assert columns @ found.coef[place] == pytest.approx(curve.offset_ppb(at_c), abs=1e-6)
        u = np.sqrt(np.einsum("ij,jk,ik->i", columns, found.own[place], columns))
        assert u == pytest.approx(curve.uncertainty_ppb(at_c), rel=1e-6)


def test_a_lot_of_one_has_nothing_to_be_compared_with(tmp_path: Path) -> None:
    make_lot(write_lot(tmp_path, sound_logs(1)), tmp_path / "out", jobs=1)
    found = figures(tmp_path / "out")
    assert found["curves"] is None
    assert (found["prior"], found["no_prior"]) == (None, "no two units share a range")
    assert found["odd"]["method"] == ""
    assert "too few units" in (tmp_path / "out" / "lot.html").read_text()


def test_a_small_lot_gives_no_prior_and_says_why(tmp_path: Path) -> None:
    make_lot(write_lot(tmp_path, sound_logs(3)), tmp_path / "out", jobs=1)
    found = figures(tmp_path / "out")
    assert found["prior"] is None
    assert "needs 7 units or more, and the lot has 3" in found["no_prior"]


@pytest.mark.parametrize(("count", "size"), [(6, 3), (12, 5), (24, 5), (40, 5), (200, 5)])
def test_sound_units_are_taken_for_odd_as_seldom_as_promised(count: int, size: int) -> None:
    # Normal lots whose figures are correlated by 0.6: the promise is for each unit, or less.
    rng, units = np.random.default_rng(count), 6000 if count < ROBUST_FROM * size else 3000
    root = np.linalg.cholesky(0.6 + 0.4 * np.eye(size))
    odd = sum(int(judge_units(rng.normal(size=(count, size)) @ root.T).odd.sum()) for _ in range(units // count))
    # Poisson's 99.9 % point for 6 and 3 expected units is 15 and 10 (scipy.stats.poisson).
    assert odd <= (15 if units == 6000 else 10)
    assert units * ODD in (6.0, 3.0)


def test_the_limit_of_a_small_lot_is_as_near_as_its_chance_allows() -> None:
    # Robust deviations of normal figures, 12 in a lot, redrawn here: one in a thousand lies beyond.  The quantile of 240 000
    # scatters by a twentieth.
    drawn = np.random.default_rng(7).normal(size=(20000, 12))
    away = np.abs(drawn - np.median(drawn, axis=1, keepdims=True))
    away /= 1.4826 * np.median(away, axis=1, keepdims=True)
    assert _limit(12, 1) == pytest.approx(np.quantile(away, 0.999), rel=0.15)


@pytest.mark.parametrize("count", [12, 40])
def test_a_planted_unit_is_found(count: int) -> None:
    rng = np.random.default_rng(5)
    found = rng.normal(size=(count, 3))
    found[4] += [0.0, 25.0, 0.0]
    assert np.flatnonzero(judge_units(found).odd).tolist() == [4]


def test_an_odd_combination_of_usual_figures_is_found_with_units_enough() -> None:
    # Two figures that go together, and a unit where they do not, each within the usual: only a distance sees it.
    rng = np.random.default_rng(8)
    level = rng.normal(size=60)
    found = np.column_stack([level, level + 0.05 * rng.normal(size=60)])
    found[10] = [1.0, -1.0]
    judged = judge_units(found)
    assert np.abs(judged.away[10]).max() < 2.5
    assert np.flatnonzero(judged.odd).tolist() == [10]


def test_figures_that_all_share_tell_nothing() -> None:
    assert not judge_units(np.ones((10, 2))).odd.any()
    assert judge_units(np.ones((10, 2))).method == ""


def test_the_page_leads_to_the_units_pages_and_is_the_same_each_time(tmp_path: Path) -> None:
    lot = write_lot(tmp_path, sound_logs(2), LOT.replace("[]", '["report"]'))
    make_lot(lot, tmp_path / "out", jobs=1)
    page = (tmp_path / "out" / "lot.html").read_text()
    assert '<a href="g02/report.html">g02</a>' in page
    assert not re.search(r'(src|href)="(http|/)', page)
    make_lot(lot, tmp_path / "again", jobs=1)
    for name in ("lot.html", "lot.json", "lot.csv"):
        assert (tmp_path / "again" / name).read_bytes() == (tmp_path / "out" / name).read_bytes()


def test_what_the_cubic_is_at_25_degc_is_the_base(lot: Path) -> None:
    base = figures(lot)["figures"]["base"]
    with (lot / "lot.csv").open() as file:
        first = next(csv.DictReader(file))
    slope, middle = float(first["slope at inflection [ppb/degC]"]), float(first["offset at inflection [ppb]"])
    # 3 ppb: the curve's noise at one temperature, 2 ppb of scatter over 240 samples, and its parameters' rounding.
    assert float(first["base [ppb]"]) == pytest.approx(offset_ppb(np.array([25.0]), slope, middle)[0], abs=3.0)
    assert base["unit"] == "ppb"


def test_a_lot_of_nothing_but_bad_logs_still_has_its_page(tmp_path: Path) -> None:
    lot = write_lot(tmp_path, {"a": "utc,board_c,osc_hz\n", "b": "utc,board_c,osc_hz\n"})
    kept = make_lot(lot, tmp_path / "out", jobs=1)
    assert (kept.done, kept.yield_.meeting, len(kept.failed)) == (0, 0, 2)
    assert "0 of 2 units are done, 2 failed." in (tmp_path / "out" / "lot.html").read_text()
    with (tmp_path / "out" / "lot.csv").open() as file:
        assert [row["status"] for row in csv.DictReader(file)] == ["failed", "failed"]
