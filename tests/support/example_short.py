"""How much of the example song the quick tests render.

Not here: rendering it (``tests/example/conftest.py``).
"""

from __future__ import annotations

SHORT_S = 27.6  # [s] 14 bars: the first two edited words lie in them
