"""``python -m thermnet.cli``."""

import sys

from thermnet.cli import main

sys.exit(main())
