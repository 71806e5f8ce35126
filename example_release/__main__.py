"""Sets up a clone and plays the example release from beginning to end.

    python3 -m example_release [OUT_FOLDER] [--seconds-limit N]

Needs Python 3.11 or newer and nothing else that is not here already: it makes a
virtual environment in ``.venv`` and installs relkit into it with pip. What the
words mean, and what is played, is in ``story``.
"""

from __future__ import annotations

import sys

from example_release.setting_up import VENV_PYTHON, require_python, run, set_up

if __name__ == "__main__":
    require_python()
    set_up("[example]")
    sys.exit(run([VENV_PYTHON, "-m", "example_release.story", *sys.argv[1:]]))
