from ascan.base.errors import AscanError as AscanError
from ascan.base.errors import CalibrationError as CalibrationError
from ascan.base.errors import FileError as FileError
from ascan.base.errors import InputError as InputError
from ascan.base.errors import LimitError as LimitError
from ascan.base.errors import ProcedureError as ProcedureError
from ascan.base.flags import Flag as Flag
from ascan.calibration.record import Calibration as Calibration
from ascan.drafting.drafting import draft_procedure as draft_procedure
from ascan.drafting.wishes import Wishes as Wishes
from ascan.engine.measuring import measure as measure
from ascan.engine.measuring import prepare as prepare
from ascan.engine.measuring import time_echoes as time_echoes
from ascan.learning.calibrating import calibrate as calibrate
from ascan.procedure.written import Procedure as Procedure
from ascan.procedure.written import load_procedure as load_procedure
from ascan.results.readings import Readings as Readings
from ascan.store.calibrations import load_calibration as load_calibration
from ascan.store.calibrations import save_calibration as save_calibration
from ascan.store.foreign import read_foreign as read_foreign
from ascan.store.foreign_layout import ForeignLayout as ForeignLayout
from ascan.store.readings import load_readings as load_readings
from ascan.store.readings import write_csv as write_csv
from ascan.store.scans import open_scan as open_scan
from ascan.store.scans import save_scan as save_scan
from ascan.store.stream import measure_to_file as measure_to_file
from ascan.waveform.scan import Scan as Scan

__version__: str

__all__ = [
    "AscanError",
    "Calibration",
    "CalibrationError",
    "FileError",
    "Flag",
    "ForeignLayout",
    "InputError",
    "LimitError",
    "Procedure",
    "ProcedureError",
    "Readings",
    "Scan",
    "Wishes",
    "calibrate",
    "draft_procedure",
    "load_calibration",
    "load_procedure",
    "load_readings",
    "measure",
    "measure_to_file",
    "open_scan",
    "prepare",
    "read_foreign",
    "save_calibration",
    "save_scan",
    "time_echoes",
    "write_csv",
]
