"""An invented fleet with known troubles, made by other physics than the expected yield's."""

from monitor.demo.fleet import FleetTruth, make_fleet
from monitor.demo.troubles import Trouble

__all__ = ["FleetTruth", "Trouble", "make_fleet"]
