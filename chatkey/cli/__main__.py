"""`python -m chatkey.cli`."""

import sys

from chatkey.cli import main

sys.exit(main())
