"""``python -m calib.cli`` does what ``rimgauge`` does."""

import sys

from calib.cli import main

sys.exit(main())
