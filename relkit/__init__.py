"""relkit keeps one song's release as a signed, versioned repository.

    from relkit import Release

is the public way in; see ``relkit.release.api``. It is imported on first use,
so that the command line starts quickly.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from relkit.release.api import Release as Release

__version__ = "0.1.0"
__all__ = ["Release", "__version__"]


def __getattr__(name: str) -> object:
    if name == "Release":
        from relkit.release.api import Release

        return Release
    raise AttributeError(name)
