"""An invented fleet with known troubles, made by other physics than the expected yield's."""

from monitor.demo.fleet import make_fleet
from monitor.demo.troubles import Trouble
from monitor.demo.truth import FleetTruth

__all__ = ["FleetTruth", "Trouble", "make_fleet"]
