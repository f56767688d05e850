"""The job file: one oscillator and all that is required of it, validated before any log is read.

Each section is a frozen dataclass, and each key a field that carries its own explanation: what is read, what
``tcomp build --explain`` prints and what ``tcomp start`` writes follow from the same declaration.  The validation of a section
stands in its file.

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

from tcomp.job.actuators import Actuator, keys_of_actuator
from tcomp.job.keys import Column, key, to_toml
from tcomp.job.planning import Chamber
from tcomp.job.reader import (
    CONTROL,
    job_of_sections,
    keys_of_sensor,
    log_of_frame,
    read_job,
    read_job_text,
    sensor_of_keys,
    symbol_of_name,
)
from tcomp.job.recording import Controller, Log, Source
from tcomp.job.runs import Regressor, RunColumns, RunLog
from tcomp.job.sections import (
    OUTPUTS,
    REPEATED,
    SECTIONS,
    Job,
    Oscillator,
    Output,
    TemperatureWeight,
    default_text,
    explained,
    header,
    section_summary,
)
from tcomp.job.sensors import Divider, Sensor
from tcomp.job.use import Compensated, Oven, Supply, Use, WarmUp

__all__ = [
    "CONTROL", "OUTPUTS", "REPEATED", "SECTIONS", "Actuator", "Chamber", "Column", "Compensated", "Controller", "Divider",
    "Job", "Log", "Oscillator", "Output", "Oven", "Regressor", "RunColumns", "RunLog", "Sensor", "Source", "Supply",
    "TemperatureWeight", "Use", "WarmUp", "default_text", "explained", "header", "job_of_sections", "key",
    "keys_of_actuator", "keys_of_sensor", "log_of_frame", "read_job", "read_job_text", "section_summary", "sensor_of_keys",
    "symbol_of_name", "to_toml",
]  # fmt: skip
