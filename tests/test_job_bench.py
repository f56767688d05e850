"""Sources, the log and the controller in a job file: each mistake is told with its line."""

from __future__ import annotations

import pytest

from tcomp.bench.rows import log_layout
from tcomp.errors import JobError
from tcomp.job import Job, explained, read_job_text

HEAD = '[oscillator]\nname = "gauge 07"\nnominal_hz = 12_800_000\n'
PROBE = '[[source]]\nname = "probe"\nkind = "serial"\nport = "/dev/ttyUSB0"\ngives = "temperature"\n'
COUNTER = '[[source]]\nname = "counter"\nkind = "visa"\nresource = "GPIB0::3::INSTR"\ngives = ["frequency"]\n'
LIMITS = "[chamber]\nlowest_c = -20\nhighest_c = 60\n"
DRIVEN = LIMITS + '[controller]\nport = "p"\nset = "S {:.1f}"\necho = "S (.*)"\nsafe_c = 20\n'


def read(text: str, head: str = HEAD) -> Job:
    return read_job_text(head + text, runs_needed=False)


def test_sources_are_read_with_their_defaults() -> None:
    job = read(PROBE + COUNTER)
    assert [source.name for source in job.sources] == ["probe", "counter"]
    assert (job.sources[0].baud, job.sources[0].gives, job.log.sync_s) == (9600, ("temperature",), 2.0)


def test_every_key_of_the_bench_is_explained() -> None:
    text = "\n".join(explained())
    for words in ("[[source]]", "[log]", "[controller]", "baud = 9600", "sync_s = 2", "hard limits"):
        assert words in text


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (PROBE + PROBE, r"job.toml:10: two sources have the name 'probe'; give each its own"),
        (PROBE + PROBE.replace("probe", "other"), "2 sources give the temperature; a log has one"),
        (
            COUNTER + COUNTER.replace("counter", "b").replace("frequency", "offset"),
            "give a frequency and an offset; a log has one",
        ),
        (PROBE.replace('port = "/dev/ttyUSB0"\n', ""), r'port is left out; kind = "serial" needs it'),
        (PROBE.replace("serial", "parallel"), r'expected "serial" or "visa" or "command" or "file" or "simulated"'),
        (PROBE + "bauds = 9600\n", r"\[\[source\]\] has no key 'bauds'; the nearest is 'baud'"),
        (
            PROBE + 'unit = ["kg"]\n',
            r"job.toml:9: \[\[source\]\] probe: unit: 'kg' is no unit of temperature; known: degC, degF, K",
        ),
        (PROBE + 'unit = ["degC", "K"]\n', "unit has 2 entries, gives has 1; expected as many"),
        (PROBE + "fields = [0]\n", "fields are counted from 1"),
        (PROBE + "fields = [1]\npattern = '(.*)'\n", "give pattern or fields, not both"),
        (PROBE + "pattern = '(.*'\n", r"is no regular expression: missing \)"),
        (PROBE + "pattern = '.*'\n", "has 0 groups; expected one in round brackets for each of temperature"),
        (PROBE + "timeout_s = 0\n", "timeout_s = 0: expected a number above 0"),
        (PROBE.replace('"temperature"', '["reference"]'), "reference goes with good or within"),
        (PROBE + "good = 'OK'\n", "reference goes with good or within"),
        (PROBE.replace('"temperature"', '["temperature", "temperature"]'), "expected one or several, each once"),
        (PROBE + "[log]\nsync_s = 6\n", r"job.toml:10: \[log\] sync_s = 6: expected above 0, 5 at most"),
        (PROBE + '[log]\nrows_of = "meter"\n', "there is no such source; known: probe"),
        (PROBE + "[log]\nsettled_c = 0\n", r"\[log\] settled_c = 0: expected a number above 0"),
        (PROBE + "[log]\nspeed = -1\n", r"\[log\] speed = -1: expected 0 or more"),
        (PROBE + COUNTER.replace('kind = "visa"', 'kind = "simulated"'), "all are simulated, or none"),
        (DRIVEN.replace("lowest_c = -20\n", ""), r"needs hard limits: \[chamber\] lowest_c and highest_c"),
        (DRIVEN.replace("safe_c = 20", "safe_c = 70"), r"safe_c = 70 is outside the limits; expected -20 to 60 degC"),
        (DRIVEN.replace("safe_c = 20\n", ""), r"safe_c is left out; expected -20 to 60 degC"),
        (DRIVEN.replace("S {:.1f}", "S 20"), r"expected a line with one \{\}, such as"),
        (DRIVEN.replace('"S (.*)"', '"S .*"'), "a set-point that is not checked may not have arrived"),
    ],
)
def test_a_mistake_is_told(text: str, why: str) -> None:
    with pytest.raises(JobError, match=why):
        read(text)


@pytest.mark.parametrize(
    ("text", "head", "why"),
    [
        ("", HEAD, "the sources give nothing"),
        (PROBE, HEAD, "the sources give temperature; a log needs"),
        (PROBE + COUNTER, '[oscillator]\nname = "a"\n', r"needs \[oscillator\] nominal_hz"),
        (
            PROBE + 'unit = "ohm"\n' + COUNTER,
            HEAD,
            r'\[sensor\] kind = "celsius" takes degC, and source probe gives ohm; make unit and \[sensor\] agree',
        ),
        (
            PROBE + COUNTER + '[sensor]\nkind = "pt100"\n',
            HEAD,
            r'\[sensor\] kind = "pt100" takes ohm, and source probe gives degC',
        ),
    ],
)
def test_a_log_that_could_not_be_built_is_told_before_it_begins(text: str, head: str, why: str) -> None:
    with pytest.raises(JobError, match=why):
        log_layout(read(text, head))


def test_the_columns_are_those_of_the_run_block_that_names_the_log() -> None:
    block = '[[run]]\nfile = "x.csv"\ntime = "when"\ntemperature = "board"\nfrequency = "osc"\n[log]\nfile = "x.csv"\n'
    assert log_layout(read(PROBE + COUNTER + block)).header == "when,board,board_how,osc"
    assert log_layout(read(PROBE + COUNTER)).header == "utc,temperature_c,temperature_c_how,frequency_hz"
