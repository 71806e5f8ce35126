"""relkit keeps one song's release as a signed, versioned repository.

    from relkit import Release, verify

is the public way in; see ``relkit.release.api``. It is imported on first use,
so that the command line starts quickly.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from relkit.release.api import Release as Release
    from relkit.release.api import verify as verify

__version__ = "0.1.0"
__all__ = ["Release", "__version__", "verify"]


def __getattr__(name: str) -> object:
    if name in {"Release", "verify"}:
        from relkit.release import api

        return getattr(api, name)
    raise AttributeError(name)
