"""Synthetic people, tests, ratings and training logs with known true values."""

from truechange.synthetic.clinic import Truth, make_clinic
from truechange.synthetic.demo_files import write_demo
from truechange.synthetic.retest import make_retest
from truechange.synthetic.scenario import Scenario, TestModel

__all__ = ["Scenario", "TestModel", "Truth", "make_clinic", "make_retest", "write_demo"]
