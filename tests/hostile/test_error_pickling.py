"""Every error survives the way to another process and back: fault, hint, exit code, attributes.

Work may go to other processes; an error that cannot be pickled would be lost there.
"""

from __future__ import annotations

import importlib
import inspect
import pickle
import pkgutil
import typing
from pathlib import Path
from typing import Any

import pytest

import relkit
from relkit.errors import RelkitError


def _modules() -> None:
    for found in pkgutil.walk_packages(relkit.__path__, "relkit."):
        if found.name != "relkit.__main__":
            importlib.import_module(found.name)


def _all_below(kind: type[RelkitError]) -> list[type[RelkitError]]:
    below = [each for child in kind.__subclasses__() for each in _all_below(child)]
    return [kind, *below]


_modules()
KINDS = sorted(
    (kind for kind in set(_all_below(RelkitError)) if kind.__module__.startswith("relkit")),
    key=lambda kind: f"{kind.__module__}.{kind.__name__}",
)


def example(kind: type[RelkitError]) -> RelkitError:
    """Construct an error from the annotations of its constructor."""
    arguments: list[Any] = []
    named: dict[str, Any] = {}
    hints = typing.get_type_hints(kind.__init__, vars(importlib.import_module(kind.__module__)), NAMES)
    for name, parameter in list(inspect.signature(kind.__init__).parameters.items())[1:]:
        if parameter.default is not parameter.empty:
            continue
        if parameter.kind is parameter.KEYWORD_ONLY:
            named[name] = value_of(hints[name])
        else:
            arguments.append(value_of(hints[name]))
    return kind(*arguments, **named)


def value_of(hint: Any) -> Any:
    """Return some value of a type."""
    origin = typing.get_origin(hint)
    if hint is str:
        return "text"
    if hint is int:
        return 7
    if hint is bytes:
        return bytes(20)
    if hint is Path:
        return Path("a/b")
    if origin is dict:
        return {value_of(each): value_of(each) for each in typing.get_args(hint)[:1]}
    if origin is tuple:
        return tuple(value_of(each) for each in typing.get_args(hint) if each is not ...)
    if origin is not None and isinstance(origin, type):  # lists and other sequences
        return [value_of(typing.get_args(hint)[0])]
    return SPECIAL[getattr(hint, "__name__", str(hint))]()


def _entry() -> Any:
    from relkit.trust.allowed_signers import Entry

    return Entry(1, ("anna",), _key(), None)


def _key() -> Any:
    from relkit.trust.keys import SigningKey

    return SigningKey.from_seed(bytes(32)).public


def _fault() -> Any:
    from relkit.sheet.errors import SheetFault

    return SheetFault(*[value_of(hint) for hint in typing.get_type_hints(SheetFault).values()])


def _gate() -> Any:
    from relkit.manifest import Gate

    return Gate(gate="embargo", findings=["the embargo lasts"])


def _remark() -> Any:
    from relkit.release.remarks import Remark

    return Remark("something is odd", "Look at it.")


SPECIAL: dict[str, Any] = {
    "Entry": _entry,
    "Gate": _gate,
    "PublicKey": _key,
    "Remark": _remark,
    "SheetFault": _fault,
}
NAMES: dict[str, Any] = {}


def test_there_are_errors_to_look_at() -> None:
    """All rooms were imported."""
    assert len(KINDS) > 40
    assert {kind.__module__.split(".")[1] for kind in KINDS} >= {"release", "store", "trust", "pack", "audio"}


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_an_error_survives_pickling(kind: type[RelkitError]) -> None:
    """Constructed generically, sent through pickle, compared."""
    error = example(kind)
    error.later = "set after construction"  # type: ignore[attr-defined]
    for protocol in range(2, pickle.HIGHEST_PROTOCOL + 1):
        again = pickle.loads(pickle.dumps(error, protocol))  # noqa: S301 - our own
        assert type(again) is kind
        assert (str(again), again.hint, again.exit_code) == (str(error), error.hint, error.exit_code)
        assert vars(again) == vars(error)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_an_error_is_for_a_person(kind: type[RelkitError]) -> None:
    """One line of fault, one line of hint, the exit code of its family."""
    error = example(kind)
    for text in (str(error), error.hint):
        assert text
        assert "\n" not in text
    assert kind is RelkitError or kind.exit_code in {1, 2, 3, 4, 5, 6, 7}
    assert kind.__doc__
