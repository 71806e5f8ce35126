"""Which bytes stand for a value? RFC 8785 canonical JSON, and a strict reading of stored JSON.

What is signed must have one form only, and what is read must mean the same to
every reader: no duplicate names, no number that another reader would round.

Conventions
    value      dict (text names), list, str, int, float, bool, None; nothing else
    int        within +-2**53, so that a reader with doubles holds it exactly
    depth      containers inside each other; a bare number has depth 0

Sources
    [JCS]      RFC 8785, JSON Canonicalization Scheme (June 2020)
    [ES]       ECMA-262, Number::toString, which [JCS] 3.2.2.3 adopts
    [I-JSON]   RFC 7493, the subset of JSON that [JCS] takes as input

Not here: models of what is signed (``relkit.manifest``), signatures
(``relkit.trust.sshsig``). A float of 2**53 up to 10**21 is written without an
exponent, as [ES] asks, and is then refused as an integer when it is read:
nothing that relkit signs holds such a number.
"""

from __future__ import annotations

import json
import math
import re
from typing import TypeAlias

from relkit.errors import DamagedError

JsonValue: TypeAlias = "dict[str, JsonValue] | list[JsonValue] | str | int | float | bool | None"

MAX_DEPTH = 64  # containers; a manifest needs fewer than ten
MAX_INTEGER = 2**53  # [JCS] appendix D; beyond it doubles skip integers
LIMIT_BYTES = 16 * 2**20  # default of ``parse_strict``; a manifest of 10 000 files is a third of it
_BOM = b"\xef\xbb\xbf"
_PLAIN_EXPONENT_LIMIT = 21  # [ES]: from 10**21 on a number has an exponent
_PLAIN_ZEROS_LIMIT = -6  # [ES]: below 10**-6 too


class BadJsonError(DamagedError):
    """Stored JSON is not what relkit writes.

    Attributes:
        what: the file or object, as the caller names it.
        reason: what is wrong with it.
    """

    def __init__(self, what: str, reason: str) -> None:
        super().__init__(
            f"{what} cannot be read: {reason}",
            hint="It was changed or cut after it was written. Get it again from its source or a backup.",
        )
        self.what, self.reason = what, reason


def canonical_bytes(value: object) -> bytes:
    """Return the one canonical form of a value, as UTF-8 without a line end.

    Args:
        value: see Conventions; up to 64 containers deep.

    Raises:
        ValueError: NaN, infinity, an integer beyond 2**53, a lone surrogate, a
            name that is no text, another type, or too deep (a cycle is).

    Source:
        [JCS] 3.2.
    """
    parts: list[str] = []
    _write(value, parts, 0)
    return "".join(parts).encode("utf-8")


def parse_strict(data: bytes, *, what: str, limit_bytes: int = LIMIT_BYTES) -> JsonValue:
    """Read stored JSON, and refuse whatever two readers could take in two ways.

    Args:
        data: UTF-8 without a byte order mark; any white space that JSON allows.
        what: the name of the file or object, for the error.
        limit_bytes: longer data is refused unread.

    Raises:
        BadJsonError: too long or too deep, no UTF-8, no JSON, a duplicate name,
            NaN or infinity (also as 1e999), an integer beyond 2**53, a lone surrogate.

    Source:
        [I-JSON] 2.
    """
    if len(data) > limit_bytes:
        raise BadJsonError(what, f"it has {len(data)} bytes, the limit is {limit_bytes}")
    if data.startswith(_BOM):
        raise BadJsonError(what, "it starts with a byte order mark")
    try:
        value = json.loads(
            data.decode("utf-8"),
            object_pairs_hook=_object_without_duplicates,
            parse_int=_exact_integer,
            parse_float=_finite_float,
            parse_constant=_no_constant,
        )
        _check_depth_and_text(value)
    except UnicodeDecodeError as error:
        raise BadJsonError(what, f"byte {error.start} is not UTF-8") from None
    except RecursionError:
        raise BadJsonError(what, _too_deep()) from None
    except ValueError as error:  # JSONDecodeError and the refusals below
        raise BadJsonError(what, str(error)) from None
    return value  # type: ignore[no-any-return]  # json.loads is untyped; the hooks hold the promise


def parse_canonical(data: bytes, *, what: str, limit_bytes: int = LIMIT_BYTES) -> JsonValue:
    """Read stored JSON that must also be in canonical form, byte for byte.

    Raises:
        BadJsonError: as ``parse_strict``, or the bytes are another form of the value.
    """
    value = parse_strict(data, what=what, limit_bytes=limit_bytes)
    if not _is_plainly_canonical(value, data) and canonical_bytes(value) != data:
        raise BadJsonError(what, "it is not in canonical form (RFC 8785)")
    return value


# Where Python's own writer differs from [JCS]: a float that is whole or has an exponent, and the order of
# names beyond the first 65,536 characters. What looks like it inside a text only costs a second look.
_WRITTEN_OTHERWISE = re.compile(rb"(?:^|[:,\[])-?[0-9]+(?:\.0(?:$|[,}\]])|\.?[0-9]*e)|[\xf0-\xf7]")


def _is_plainly_canonical(value: JsonValue, data: bytes) -> bool:
    """Say whether data is canonical, by a writer ten times as fast; where it cannot tell, say no.

    A manifest is read far more often than it is written, and most have nothing in them on which
    the two writers could differ.
    """
    text = json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return text.encode() == data and _WRITTEN_OTHERWISE.search(data) is None


# -- writing -----------------------------------------------------------------


def _write(value: object, parts: list[str], depth: int) -> None:
    """Append the text of a value that stands inside ``depth`` containers."""
    if value is None or isinstance(value, bool):
        parts.append({None: "null", True: "true", False: "false"}[value])
    elif isinstance(value, str):
        parts.append(_string(value))
    elif isinstance(value, int):
        parts.append(_integer(value))
    elif isinstance(value, float):
        parts.append(_number(value))
    elif isinstance(value, (list, dict)):
        if depth == MAX_DEPTH:
            raise ValueError(_too_deep())
        if isinstance(value, list):
            _write_array(value, parts, depth + 1)
        else:
            _write_object(value, parts, depth + 1)
    else:
        raise ValueError(f"{type(value).__name__} has no canonical JSON form")


def _write_array(items: list[object], parts: list[str], depth: int) -> None:
    """Append an array; the order of its items stays."""
    separator = "["
    for item in items:
        parts.append(separator)
        _write(item, parts, depth)
        separator = ","
    parts.append("]" if items else "[]")


def _write_object(members: dict[object, object], parts: list[str], depth: int) -> None:
    """Append an object, its names in the order of their UTF-16 code units ([JCS] 3.2.3)."""
    separator = "{"
    for name in sorted(members, key=_utf16):
        parts += (separator, _string(str(name)), ":")
        _write(members[name], parts, depth)
        separator = ","
    parts.append("}" if members else "{}")


def _utf16(name: object) -> bytes:
    """Sort key of a name: big-endian UTF-16, so that bytes compare as code units do."""
    if not isinstance(name, str):
        raise ValueError(f"the name {name!r} is not text")  # noqa: TRY004  one promise: ValueError
    return _scalar_text(name).encode("utf-16-be")


def _string(text: str) -> str:
    """Quote a text; ``json`` without ``ensure_ascii`` escapes exactly what [JCS] 3.2.2.2 lists."""
    return json.dumps(_scalar_text(text), ensure_ascii=False)


def _scalar_text(text: str) -> str:
    """Return the text, or refuse half of a surrogate pair: UTF-8 has no form for it."""
    if not text.isascii() and any("\ud800" <= sign <= "\udfff" for sign in text):
        raise ValueError("a text holds half of a surrogate pair")
    return text


def _integer(value: int) -> str:
    """Write an integer that every reader holds exactly."""
    if abs(value) > MAX_INTEGER:
        raise ValueError("an integer lies beyond 2**53, where readers round; write it as text")
    return int.__repr__(value)  # not str(): an IntEnum would give its name


def _number(value: float) -> str:
    """Write a double as [ES] does.

    Python's ``repr`` finds the same shortest digits; only their layout differs.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} has no JSON form")
    if value == 0:
        return "0"  # also for -0.0
    mantissa, _, exponent = float.__repr__(abs(value)).partition("e")
    whole, _, fraction = mantissa.partition(".")
    padded = whole + fraction
    digits = padded.lstrip("0")
    # value = 0.digits * 10**point; [ES] calls point n, and len(digits) k
    point = len(whole) + int(exponent or 0) - (len(padded) - len(digits))
    digits = digits.rstrip("0")
    return ("-" if value < 0 else "") + _laid_out(digits, point)


def _laid_out(digits: str, point: int) -> str:
    """Set the decimal point, zeros or exponent of 0.digits * 10**point ([ES] steps 6 to 12)."""
    if len(digits) <= point <= _PLAIN_EXPONENT_LIMIT:
        return digits.ljust(point, "0")
    if 0 < point <= _PLAIN_EXPONENT_LIMIT:
        return f"{digits[:point]}.{digits[point:]}"
    if _PLAIN_ZEROS_LIMIT < point <= 0:
        return f"0.{'0' * -point}{digits}"
    fraction = f".{digits[1:]}" if len(digits) > 1 else ""
    return f"{digits[0]}{fraction}e{point - 1:+d}"


# -- reading -----------------------------------------------------------------


def _object_without_duplicates(pairs: list[tuple[str, JsonValue]]) -> dict[str, JsonValue]:
    """Make an object, unless a name comes twice: readers differ on which one counts."""
    members: dict[str, JsonValue] = {}
    for name, value in pairs:
        if name in members:
            raise ValueError(f"the name {name[:40]!r} comes twice in one object")
        members[name] = value
    return members


def _exact_integer(text: str) -> int:
    """Read an integer that every reader holds exactly."""
    # Length first: Python refuses to convert thousands of digits, with another message.
    if len(text) > len(str(-MAX_INTEGER)) or abs(int(text)) > MAX_INTEGER:
        raise ValueError(f"the integer {text[:20]} lies beyond 2**53")
    return int(text)


def _finite_float(text: str) -> float:
    """Read a number with a point or an exponent; too large a one would become infinity."""
    value = float(text)
    if math.isinf(value):
        raise ValueError(f"the number {text[:20]} is larger than any double")
    return value


def _no_constant(text: str) -> float:
    """Refuse NaN, Infinity and -Infinity, which Python would take."""
    raise ValueError(f"{text} is not JSON")


def _check_depth_and_text(value: JsonValue) -> None:
    """Refuse what nests too deep, and half surrogate pairs, which an escape can smuggle in."""
    pending: list[tuple[JsonValue, int]] = [(value, 0)]
    while pending:
        item, depth = pending.pop()
        if isinstance(item, str):
            _scalar_text(item)
        elif isinstance(item, (dict, list)):
            if depth == MAX_DEPTH:
                raise ValueError(_too_deep())
            if isinstance(item, dict):
                for name in item:
                    _scalar_text(name)
            inner = item.values() if isinstance(item, dict) else item
            pending.extend((each, depth + 1) for each in inner)


def _too_deep() -> str:
    return f"it nests more than {MAX_DEPTH} levels deep"
