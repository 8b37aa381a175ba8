"""Makes a test run load the core that core_coverage.py built."""

import os
from pathlib import Path

from leanmix.mixer import library

library.library_file = lambda folder: Path(os.environ["LEANMIX_TEST_CORE"])
