"""How the books of an invented fleet are kept: routine work, untidy records, files of a stretch of time.

Nothing here changes what happens to a machine; it only changes what is written down, when, and where.
"""

from fleetlog.simulation.files import DAY, Books, FileForm, Window
from fleetlog.simulation.routine import Routine, routine
from fleetlog.simulation.untidy import Meters, Untidy, tidy_meters, untidy_meters

__all__ = [
    "DAY",
    "Books",
    "FileForm",
    "Meters",
    "Routine",
    "Untidy",
    "Window",
    "routine",
    "tidy_meters",
    "untidy_meters",
]
