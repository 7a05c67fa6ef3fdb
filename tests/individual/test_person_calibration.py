"""Is a chance of 85% true in 85 of 100 people? The stored table, and a short run of the same simulation."""

import csv
import os
import sys
from collections import defaultdict
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from calibration import calibrate

TABLE = Path(__file__).parents[2] / "reports" / "person_calibration.csv"
