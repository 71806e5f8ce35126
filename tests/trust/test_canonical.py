"""Canonical JSON against RFC 8785, and the strict reading of stored JSON."""

from __future__ import annotations

import enum
import json
import math
import struct
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.trust.canonical import (
    MAX_DEPTH,
    BadJsonError,
    JsonValue,
    _is_plainly_canonical,
    canonical_bytes,
    parse_canonical,
    parse_strict,
)

VECTORS = Path(__file__).parents[1] / "vectors"
NUMBERS: list[tuple[str, str | None]] = json.loads((VECTORS / "rfc8785-numbers.json").read_text("utf-8"))
PAIRS: list[dict[str, str]] = json.loads((VECTORS / "rfc8785-pairs.json").read_text("utf-8"))

TEXT = st.text(st.characters(exclude_categories=["Cs"]))
INTEGERS = st.integers(-(2**53), 2**53)
# A float of 2**53 or more may be written without an exponent, and is then no readable integer.
FLOATS = st.floats(-(2.0**53), 2.0**53, allow_nan=False)
VALUES: st.SearchStrategy[JsonValue] = st.recursive(
    st.none() | st.booleans() | INTEGERS | FLOATS | TEXT,
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(TEXT, inner, max_size=5),
    max_leaves=20,
)


def _double(bits: str) -> float:
    return float(struct.unpack(">d", bytes.fromhex(bits))[0])


@pytest.mark.parametrize(("bits", "text"), [row for row in NUMBERS if row[1] is not None])
def test_numbers_of_appendix_b(bits: str, text: str) -> None:
    """RFC 8785 appendix B prints the text of each double."""
    assert canonical_bytes(_double(bits)) == text.encode()


@pytest.mark.parametrize("bits", [row[0] for row in NUMBERS if row[1] is None])
def test_numbers_that_appendix_b_refuses(bits: str) -> None:
    """RFC 8785 appendix B: NaN and infinity are errors."""
    with pytest.raises(ValueError, match="has no JSON form"):
        canonical_bytes(_double(bits))


@pytest.mark.parametrize("pair", PAIRS, ids=[each["section"] for each in PAIRS])
def test_published_pairs(pair: dict[str, str]) -> None:
    """RFC 8785 3.2.2 and its author's reference data give input and output bytes."""
    value = json.loads(pair["input"])  # an outside reader
    assert canonical_bytes(value).hex() == pair["canonical_hex"]
    assert canonical_bytes(parse_strict(pair["input"].encode(), what="pair")).hex() == pair["canonical_hex"]


def test_names_sort_by_utf_16_code_units() -> None:
    """RFC 8785 3.2.3: the order it prints, which differs from that of code points at the end."""
    names = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\x80", "\u00f6"]
    published = ["\r", "1", "\x80", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]  # RFC 8785 3.2.3
    assert list(json.loads(canonical_bytes(dict.fromkeys(names)))) == published


def test_strings_escape_what_the_standard_lists_and_nothing_else() -> None:
    """RFC 8785 3.2.2.2: two-letter escapes, lower-case hex for other controls, all else as it is."""
    short = {8: "\\b", 9: "\\t", 10: "\\n", 12: "\\f", 13: "\\r", 34: '\\"', 92: "\\\\"}  # RFC 8785 3.2.2.2
    for code in (*range(0xD800), *range(0xE000, 0x10000), 0x1F600, 0x10FFFF):
        expected = short.get(code) or (f"\\u{code:04x}" if code < 0x20 else chr(code))
        assert canonical_bytes(chr(code)) == f'"{expected}"'.encode()


@pytest.mark.parametrize(
    ("value", "message"),
    [
        (2**53 + 1, "beyond 2"),
        (-(2**53) - 1, "beyond 2"),
        ("a\ud800", "surrogate"),
        ({"\udc00": 1}, "surrogate"),
        ({1: 2}, "is not text"),
        ({None: 2}, "is not text"),
        ([b"bytes"], "bytes has no canonical"),
        ((1, 2), "tuple has no canonical"),
        ({1, 2}, "set has no canonical"),
        (Decimal(1), "Decimal has no canonical"),
    ],
)
def test_what_json_cannot_hold_for_every_reader_is_refused(value: object, message: str) -> None:
    """A caller's mistake, never a silent conversion (RFC 8785 3.1, RFC 7493 2)."""
    with pytest.raises(ValueError, match=message):
        canonical_bytes(value)


def test_a_cycle_is_refused() -> None:
    """The depth limit also ends what has no end."""
    cycle: list[object] = []
    cycle.append(cycle)
    with pytest.raises(ValueError, match="levels deep"):
        canonical_bytes(cycle)


def test_an_enumeration_is_written_as_its_value() -> None:
    """Not as its name, which ``str`` would give."""

    class Number(enum.IntEnum):
        SEVEN = 7

    class Word(enum.StrEnum):
        CLEAN = "clean"

    assert canonical_bytes([Number.SEVEN, Word.CLEAN, {Word.CLEAN: 1}]) == b'[7,"clean",{"clean":1}]'


@given(VALUES)
def test_reading_what_was_written_gives_the_value(value: JsonValue) -> None:
    """Writing and reading are inverse, and the result is canonical by its own rule."""
    data = canonical_bytes(value)
    assert parse_canonical(data, what="value") == value
    assert json.loads(data) == value  # an outside reader


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_keeps_its_value_and_has_the_fewest_digits(value: float) -> None:
    """ECMA-262 Number::toString: the shortest digits that read back; ``repr`` promises the same."""
    text = canonical_bytes(value).decode()
    assert float(text) == value

    def digits(number: str) -> str:
        return number.partition("e")[0].replace(".", "").replace("-", "").strip("0")

    assert digits(text) == digits(repr(value))
    plain = value == 0 or 1e-6 <= abs(value) < 1e21  # ECMA-262 Number::toString, its cases
    assert ("e" not in text) == plain
    assert not text.endswith(".0")


@given(st.dictionaries(TEXT, INTEGERS))
def test_the_order_of_insertion_does_not_count(members: dict[str, int]) -> None:
    """The same members give the same bytes."""
    assert canonical_bytes(members) == canonical_bytes(dict(reversed(members.items())))


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "Expecting value"),
        (b"\xef\xbb\xbf{}", "byte order mark"),
        ('{"a":1}'.encode("utf-16"), "not UTF-8"),
        (b'"\xff"', "byte 1 is not UTF-8"),
        (b'"\xed\xa0\x80"', "not UTF-8"),  # a surrogate, in the encoding that UTF-8 forbids
        (b'"\xc0\x80"', "not UTF-8"),  # NUL in two bytes
        (b'{"a":1,"b":2,"a":1}', "'a' comes twice"),
        (b'[{"x":{"a":1,"\\u0061":1}}]', "'a' comes twice"),
        (b"NaN", "NaN is not JSON"),
        (b"[-Infinity]", "-Infinity is not JSON"),
        (b"1e999", "larger than any double"),
        (b"-1e999", "larger than any double"),
        (b"9007199254740993", "beyond 2"),
        (b"-9007199254740993", "beyond 2"),
        (b"1" * 5000, "beyond 2"),
        (b'"\\ud800"', "surrogate"),
        (b'{"\\udc00":1}', "surrogate"),
        (b"{} {}", "Extra data"),
        (b"{}\x00", "Extra data"),
        (b'{"a":1,}', "Illegal trailing comma|Expecting property name"),
        (b"{'a':1}", "Expecting property name"),
        (b'"a\nb"', "control character"),
        (b"01", "Extra data"),
        (b"[" * (MAX_DEPTH + 1) + b"]" * (MAX_DEPTH + 1), "levels deep"),
        (b"[" * 1_000_000, "levels deep"),
        (b'{"a":' * 1_000_000, "levels deep"),
    ],
)
def test_what_two_readers_could_take_differently_is_refused(data: bytes, reason: str) -> None:
    """RFC 7493 (I-JSON) 2.1 to 2.3, and our own limits; the fault names the file."""
    with pytest.raises(BadJsonError, match=rf"manifest\.json cannot be read: .*({reason})"):
        parse_strict(data, what="manifest.json")


def test_the_limits_themselves_are_inside() -> None:
    """Just as deep, large and long as allowed."""
    assert parse_strict(b"[" * MAX_DEPTH + b"]" * MAX_DEPTH, what="x")
    assert parse_strict(b"[9007199254740992,-9007199254740992]", what="x") == [2**53, -(2**53)]
    assert parse_strict(b"[1]", what="x", limit_bytes=3) == [1]
    with pytest.raises(BadJsonError, match="4 bytes, the limit is 3"):
        parse_strict(b"[12]", what="x", limit_bytes=3)


@pytest.mark.parametrize(
    "data", [b'{"b":1,"a":2}', b"[1, 2]", b"[1]\n", b"1.0", b"-0", b'"\\u0041"', b'"\\/"', b"1E2"]
)
def test_another_form_of_the_same_value_is_not_canonical(data: bytes) -> None:
    """It can be read, but it is not what was signed."""
    parse_strict(data, what="x")
    with pytest.raises(BadJsonError, match="not in canonical form"):
        parse_canonical(data, what="x")


@given(
    st.binary()
    | TEXT.map(str.encode)
    | VALUES.map(canonical_bytes).flatmap(lambda b: st.sampled_from([b[:-1], b + b" "]))
)
def test_any_bytes_are_read_or_refused_with_the_declared_error(data: bytes) -> None:
    """No other error escapes; what is canonical is exactly what we would write."""
    try:
        value = parse_canonical(data, what="x")
    except BadJsonError:
        return
    assert canonical_bytes(value) == data


def test_small_steps_of_the_exponent() -> None:
    """Powers of ten around the borders that ECMA-262 draws at 21 and -6 digits."""
    expected = {
        1e20: "100000000000000000000",
        1e21: "1e+21",
        1e-6: "0.000001",
        1e-7: "1e-7",
        1.5e-7: "1.5e-7",
    }
    for value, text in expected.items():  # ECMA-262, Number::toString, steps 6 to 12
        assert canonical_bytes(value) == text.encode()
        assert canonical_bytes(math.copysign(value, -1)) == f"-{text}".encode()


def test_reading_json_does_not_load_cryptography() -> None:
    """Start-up stays quick: only checking or making a signature loads it."""
    rooms = "canonical, sshsig, keys, signers"
    code = f"import sys; from relkit.trust import {rooms}; sys.exit('cryptography' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@given(VALUES)
def test_the_quick_look_never_says_yes_wrongly(value: JsonValue) -> None:
    """Whatever Python's own writer makes of a value: if the quick look takes it, it is the canonical form."""
    data = json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()
    if _is_plainly_canonical(value, data):
        assert canonical_bytes(value) == data


@pytest.mark.parametrize(
    ("text", "quick"),
    [
        ('{"a":-14.56,"b":[1,2,null],"c":"1.0"}', True),
        ('{"a":1.0}', False),
        ("[1e+16]", False),
        ("[1.5e-07]", False),
        ("[-0.0]", False),
        ("1.0", False),
        ('{"\ue000":1,"\U0001f600":2}', False),  # [JCS] 3.2.3 orders by UTF-16: the second comes first
    ],
)
def test_what_the_quick_look_leaves_to_the_other(text: str, quick: bool) -> None:
    """Its speed is of use only where it says yes to ordinary manifests."""
    assert _is_plainly_canonical(json.loads(text), text.encode()) is quick
