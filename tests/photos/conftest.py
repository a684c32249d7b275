"""Put the repository's root on the path: benchmark and samples are not installed packages."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
