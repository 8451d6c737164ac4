"""Fleet and site files to frozen models; all mistakes told together."""

from monitor.config.load import load_fleet
from monitor.config.models import Fleet, Site

__all__ = ["Fleet", "Site", "load_fleet"]
