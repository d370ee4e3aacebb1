from .assessment import Assessment as Assessment
from .assessment import assess as assess
from .devices.lookup import device as device
from .devices.lookup import device_names as device_names
from .scores.registry import score_names as score_names
from .stage import Stage as Stage
from .targets import RadioBand as RadioBand
from .targets import Targets as Targets
