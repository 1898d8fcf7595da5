"""The simulated vehicle: a model of fluid that shares nothing with the rules, to prove and train against."""

from expert.vehicle.check import misfits
from expert.vehicle.files import load_tables, packaged_tables
from expert.vehicle.imagine import World, imagine
from expert.vehicle.observe import Reading
from expert.vehicle.vehicle import Leak, Vehicle

__all__ = ["Leak", "Reading", "Vehicle", "World", "imagine", "load_tables", "misfits", "packaged_tables"]
