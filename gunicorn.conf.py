"""What the web server does around its workers; gunicorn reads this file by itself, and its options are given where it is started."""

import sys
from pathlib import Path

# Started as a program of its own, it does not look here by itself.
sys.path.insert(0, str(Path(__file__).resolve().parent))

from config.serving import logconfig_dict, on_exit, on_starting, post_fork, pre_fork  # noqa: F401
