"""The job file: one oscillator and everything wanted of it, checked before anything is read.

Each section is a frozen dataclass and each key a field that carries its own explanation, so that
the checks, ``tcomp build --explain`` and ``tcomp start`` all speak from the same declaration.

Examples
--------
>>> job = read_job_text('''
... [oscillator]
... name = "gauge 07"
... nominal_hz = 12_800_000
... [[run]]
... file = "up_down.csv"
... time = "utc"
... temperature = "board_c"
... frequency = "osc_hz"
... ''')
>>> job.runs[0].temperature, job.table.counts_per_c
('board_c', 100.0)
"""

from tcomp.job.keys import Column
from tcomp.job.log_sections import Controller, Log, Source
from tcomp.job.plan_sections import Chamber
from tcomp.job.reader import (
    CONTROL,
    keys_of_sensor,
    log_of_frame,
    read_job,
    read_job_text,
    sensor_of_keys,
    symbol_of_name,
)
from tcomp.job.sections import (
    REPEATED,
    SECTIONS,
    Divider,
    Dwell,
    Job,
    Oscillator,
    RunColumns,
    RunLog,
    Sensor,
    default_text,
    explained,
    header,
    section_words,
)
from tcomp.job.use_sections import Compensated, Oven, Supply, Use, WarmUp
from tcomp.job.written import written

__all__ = [
    "CONTROL",
    "REPEATED",
    "SECTIONS",
    "Chamber",
    "Column",
    "Compensated",
    "Controller",
    "Divider",
    "Dwell",
    "Job",
    "Log",
    "Oscillator",
    "Oven",
    "RunColumns",
    "RunLog",
    "Sensor",
    "Source",
    "Supply",
    "Use",
    "WarmUp",
    "default_text",
    "explained",
    "header",
    "keys_of_sensor",
    "log_of_frame",
    "read_job",
    "read_job_text",
    "section_words",
    "sensor_of_keys",
    "symbol_of_name",
    "written",
]
