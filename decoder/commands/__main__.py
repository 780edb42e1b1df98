"""`python -m decoder.commands` is `cellglean`."""

import sys

from decoder.commands.main import main

sys.exit(main())
