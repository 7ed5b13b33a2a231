"""Makes this folder's helpers importable wherever pytest was started, also against an installed wheel."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
