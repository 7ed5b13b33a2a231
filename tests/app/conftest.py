"""Makes this folder's helpers importable wherever pytest was started, also against an installed wheel."""

import signal
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # started in a shell's background: the programs would inherit it
    signal.signal(signal.SIGINT, signal.default_int_handler)
