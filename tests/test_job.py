"""The job file: what is read, and each sentence about what is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from tcomp.errors import JobError
from tcomp.job import SECTIONS, explained, read_job, read_job_text, symbol_of_name
from tcomp.job.keys import keys_of
from tcomp.starter import MOSTLY_USED, start_of

SOUND = """
[oscillator]
name = "gauge 07"
nominal_hz = 12_800_000

[[run]]
file = "up_down.csv"
time = "utc"
temperature = "board_c"
frequency = "osc_hz"
"""


def test_paths_start_at_the_job_file() -> None:
    assert read_job_text(SOUND, Path("river/gauge.toml")).runs[0].file == Path("river/up_down.csv")


def test_the_symbol_is_made_of_the_name_if_it_is_left_out() -> None:
    assert read_job_text(SOUND).firmware.symbol == "gauge_07"
    assert symbol_of_name("Überlauf") == "berlauf"
    assert symbol_of_name("!!") == "oscillator"


def test_a_single_value_is_taken_for_a_list_of_one() -> None:
    job = read_job_text(SOUND + 'missing = "OVLD"\n')
    assert job.runs[0].missing == ("OVLD",)
    assert job.fit.reference_c == 25.0


WRONG = {
    "no such section": (SOUND + "[tabel]\n", r"job.toml:11: there is no section \[tabel\]; the nearest is 'table'"),
    "no such key": (
        SOUND + "[table]\nmax_eror_ppb = 5\n",
        r"job.toml:12: \[table\] has no key 'max_eror_ppb'; the nearest is 'max_error_ppb'",
    ),
    "no such key in the second run": (
        SOUND + '[[run]]\nfile = "b.csv"\ntemp = "t"\n', r"job.toml:13: \[\[run\]\] has no key 'temp'"
    ),
    "not TOML": ("[oscillator\n", "job.toml:1: is not TOML: .*; expected a job file, such as `tcomp start` writes"),
    "no run": ('[oscillator]\nname = "x"\n', r"needs at least one \[\[run\]\] block"),
    "a key that must be given": (SOUND.replace('name = "gauge 07"', ""), r"job.toml:2: \[oscillator\] needs the key 'name'"),
    "wrong type": (
        SOUND.replace("12_800_000", '"fast"'), r'job.toml:4: \[oscillator\] nominal_hz = "fast": expected a number'
    ),
    "wrong word": (
        SOUND.replace("nominal_hz", 'cut = "GT"\nnominal_hz'), r'job.toml:4: \[oscillator\] cut = "GT": expected "AT" or "SC"'
    ),
    "true is no number": (SOUND.replace("12_800_000", "true"), "nominal_hz = true: expected a number"),
    "not finite": (SOUND.replace("12_800_000", "nan"), "nominal_hz = nan: expected a number"),
    "negative nominal": (SOUND.replace("12_800_000", "-1"), r"job.toml:4: \[oscillator\] nominal_hz = -1: expected .* above 0"),
    "two quantities": (
        SOUND + 'offset = "y"\noffset_unit = "ppb"\n', "frequency, offset, phase, event, reading; it has frequency, offset"
    ),
    "no quantity": (SOUND.replace('frequency = "osc_hz"', ""), "it has none"),
    "offset without unit": (SOUND.replace('frequency = "osc_hz"', 'offset = "y"'), "needs offset and offset_unit"),
    "reading without trusted": (SOUND.replace('frequency = "osc_hz"', 'reading = "y"'), "needs reading and trusted together"),
    "time twice": (SOUND + "interval_s = 10\n", "has both time and interval_s"),
    "phase without time": (
        SOUND.replace('frequency = "osc_hz"', 'phase = "x"').replace('time = "utc"', ""), "phase needs a time column"
    ),
    "timebase without trusted frequency": (SOUND + 'role = "timebase"\n', "reference_hz, the trusted frequency that was shown"),
    "no nominal": (SOUND.replace("nominal_hz = 12_800_000", ""), r"a frequency column needs \[oscillator\] nominal_hz"),
    "range turned round": (SOUND + "[fit]\nrange_c = [60, -20]\n", r"range_c = \[60, -20\]: expected \[lowest, highest\]"),
    "range of one": (SOUND + "[fit]\nrange_c = [60]\n", "expected a list of 2 numbers"),
    "no model": (SOUND + "[fit]\nmodels = []\n", r'job.toml:12: \[fit\] models is an empty list; name a curve, or give "auto"'),
    "no such model": (SOUND + '[fit]\nmodels = ["poly12"]\n', 'there is no "poly12"; known: poly1 ... poly9, crystal, spline'),
    "three columns of time": (
        SOUND.replace('time = "utc"', 'time = ["date", "time", "zone"]'), "expected text or a whole number or a list of 2 columns"
    ),
    "negative uncertainty": (SOUND + "[reference]\nuncertainty_ppb = -1\n", "expected 0 or more"),
    "raw codes of a sensor in degC": (
        SOUND + '[table]\ninput = "adc"\n', r'job.toml:12: \[table\] input = "adc" needs .* kind = "ntc"'
    ),
    "raw codes without a divider": (
        SOUND + '[sensor]\nkind = "pt100"\n[table]\ninput = "adc"\n', r"needs \[sensor\] divider: without it the log holds ohm"
    ),
    "raw codes of too many bits": (
        SOUND + '[sensor]\nkind = "pt100"\ndivider = { series_ohm = 100, adc_bits = 24, sensor_to = "ground" }\n'
        '[table]\ninput = "adc"\n',
        "16 bits at most, and the divider has adc_bits = 24",
    ),
    "raw codes with a scale": (
        SOUND + '[sensor]\nkind = "linear"\ndegc_per_count = 0.1\n[table]\ninput = "adc"\ncounts_per_c = 10\n',
        r'job.toml:16: \[table\] counts_per_c goes with input = "temperature"; leave it out',
    ),
    "an address beyond 32 bits": (
        SOUND + '[firmware]\nformats = ["ihex"]\nimage_address = 0x1_0000_0000\n',
        r"job.toml:13: \[firmware\] image_address = 0x100000000: expected an address of 32 bits",
    ),
    "an address without ihex": (
        SOUND + "[firmware]\nimage_address = 256\n", r'image_address goes with formats = \["ihex"\]; only that states'
    ),
    "no bytes": (SOUND + "[table]\nmax_bytes = 0\n", "max_bytes = 0: expected a number above 0"),
    "an unknown correction": (
        SOUND + '[firmware]\ncorrect = ["phase"]\n', r'correct = \["phase"\]: expected "frequency" or "interval"'
    ),
    "skipping less than nothing": (SOUND + "skip_lines = -1\n", "expected 0 or more"),
    "an inline table of the wrong kind": (
        SOUND + '[sensor]\ndivider = { series_ohm = "1k", adc_bits = 12, sensor_to = "ground", x = false }\n',
        r'divider = { series_ohm = "1k", adc_bits = 12, sensor_to = "ground", x = false }: expected an inline table',
    ),
    "a date where a number belongs": (
        SOUND.replace("12_800_000", "2026-03-02T07:30:00Z"), r"nominal_hz = 2026-03-02T07:30:00\+00:00: expected a number"
    ),
    "an image of another form": (
        SOUND + '[table]\nform = "segments"\n[firmware]\nformats = ["bin"]\n', r'form = "segments": expected "steps", as'
    ),
    "weighed against nothing": (
        SOUND + '[table]\nweight = "uncertainty"\n', r'weight = "uncertainty" needs max_error_ppb, which it is compared with'
    ),
    "a negative share": (
        SOUND + "[table]\ntemperature_weights = [{ c = 5, share = 1 }, { c = 9, share = -1 }]\n",
        "temperature_weights has a share below 0, or none above",
    ),
    "no share": (
        SOUND + "[table]\ntemperature_weights = [{ c = 5, share = 0 }]\n",
        "temperature_weights has a share below 0, or none above",
    ),
    "weights in disorder": (
        SOUND + "[table]\ntemperature_weights = [{ c = 9, share = 1 }, { c = 5, share = 1 }]\n",
        "temperature_weights does not ascend; expected",
    ),
    "the old name of a key": (
        SOUND + "[table]\ndwell = [{ c = 5, share = 1 }]\n",
        r"job.toml:12: \[table\] has no key 'dwell'; it is called temperature_weights now",
    ),
    "a section that is a number": ("sensor = 3\n" + SOUND, r"\[sensor\] must be a section of keys, got 3"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "message"), WRONG.values(), ids=WRONG)
def test_what_is_wrong_is_said_with_its_place(text: str, message: str) -> None:
    with pytest.raises(JobError, match=message):
        read_job_text(text)


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(JobError, match=r"none.toml: cannot be read .*`tcomp start`"):
        read_job(tmp_path / "none.toml")


def test_a_job_that_is_not_text_is_said(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(JobError, match="is not UTF-8 text"):
        read_job(tmp_path / "job.toml")


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text(SOUND, encoding="utf-8-sig")
    assert read_job(tmp_path / "job.toml").oscillator.name == "gauge 07"


def test_every_key_is_explained_with_its_default() -> None:
    text = "\n".join(explained())
    for name, kind in SECTIONS.items():
        assert f"[{name}]" in text
        for key in (item.name for item in keys_of(kind)):
            assert f"  {key} = " in text
    assert "  counts_per_c = 100\n" in text


def test_the_starting_job_reads_and_names_the_keys_that_are_mostly_used() -> None:
    text = start_of().text
    assert read_job_text(text).oscillator.nominal_hz == 10_000_000
    for name, keys in MOSTLY_USED.items():
        assert set(keys) <= set(SECTIONS[name].__dataclass_fields__)
        assert all(f"\n{key} =" in text or f"\n# {key} =" in text for key in keys)
    assert len(text.splitlines()) < 100


def test_every_default_of_the_starting_job_is_the_default() -> None:
    # Taking the # off every line that shows a value must change nothing.
    text = start_of().text
    lines = [line.removeprefix("# ") if _shows_a_value(line) else line for line in text.splitlines()]
    opened, closed = read_job_text("\n".join(lines)), read_job_text(text)
    assert (opened.fit, opened.table, opened.firmware, opened.sensor) == (
        closed.fit,
        closed.table,
        closed.firmware,
        closed.sensor,
    )


def _shows_a_value(line: str) -> bool:
    return line.startswith("# ") and any(
        line.startswith(f"# {key} = ") for kind in SECTIONS.values() for key in kind.__dataclass_fields__
    )


def with_section(text: str) -> str:
    return SOUND + "\n" + text


def test_ovens_stand_in_blocks_of_their_own() -> None:
    job = read_job_text(
        with_section('[[oven]]\nname = "a"\nwarm_up = { minutes = 5, watts = 3.0 }\n[[oven]]\nname = "b"')
    )
    assert [oven.name for oven in job.ovens] == ["a", "b"]
    assert (job.ovens[0].warm_up.minutes, job.ovens[0].warm_up.to_ppb) == (5, None)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[use]\nneeded_ppb = -1", "needed_ppb = -1: expected 0 or more"),
        ("[use]\nneeded_ppb = 0", "needed_ppb = 0: expected a number above 0"),
        ("[use]\nhours_on_per_day = 25", "hours_on_per_day = 25: expected at most 24"),
        ("[use]\nrange_c = [40, 5]", r"\[use\] range_c = \[40, 5\]: expected \[lowest, highest\]"),
        ("[supply]\nefficiency = 0", "efficiency = 0: expected a number above 0"),
        ("[supply]\npeak_watts = 1\nsteady_watts = 2", "steady_watts = 2 is more than peak_watts = 1"),
        ("[oven]\nname = 'a'", r"\[oven\] may stand several times: write \[\[oven\]\]"),
        ("[[oven]]\nprice = 3", r"\[\[oven\]\] needs the key 'name'"),
        ("[[oven]]\nname = 'a'\n[[oven]]\nname = 'b'\nprice = -3", r":\d+: \[\[oven\]\] price = -3: expected 0 or more"),
        ("[[oven]]\nname = 'a'\nwarm_up = { minutes = -1 }", "warm_up minutes = -1: expected 0 or more"),
        ("[[oven]]\nname = 'a'\nwarm_up = { to_ppb = 9, from_ppb = 3 }", "expected from more to less"),
        ("[[oven]]\nname = 'a'\nsteady_watts = 4\nwarm_up = { watts = 3 }", "takes most while it heats"),
    ],
)  # fmt: skip
def test_figures_of_use_and_ovens_that_cannot_be_are_said(text: str, message: str) -> None:
    with pytest.raises(JobError, match=message):
        read_job_text(with_section(text))


def test_the_line_of_the_second_block_is_named() -> None:
    text = with_section("[[oven]]\nname = 'a'\n[[oven]]\nname = 'b'\nprice = -3")
    with pytest.raises(JobError, match=rf"job.toml:{len(text.splitlines())}: "):
        read_job_text(text)


def test_a_job_without_runs_is_read_where_none_are_needed() -> None:
    assert read_job_text('[oscillator]\nname = "gauge 07"', runs_needed=False).runs == ()
