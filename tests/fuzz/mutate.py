"""Inputs out of inputs: by bytes, and by what the format is made of, so that they get past the door."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Sequence
from typing import Any

Mutator = Callable[[bytes, random.Random], bytes]

WORDS: tuple[str, ...] = (
    *("", " ", "0", "-0", "1", "-1", "1e308", "-1e308", "1e-320", "1e999", "nan", "NaN", "inf", "-Infinity", "true"),
    *("null", "None", "9" * 400, "0x10", "1_000", "1,5", "٣", "½", "²", "１２", "1e", "--1", "+", "=1+1", "@SUM(A1)"),
    *("../../etc/passwd", "/etc/passwd", "C:\\x.jpg", "\\\\host\\share\\x", "..", ".", "a/../../b", "CON", "nul.jpg"),
    *("file:///etc/passwd", "~/x", "a\0b", "\x1b[31mred", "a\nb", "a\rb", "\u202egpj.exe", "\ufeff", "\ud83d\udc04"),
    *("<script>alert(1)</script>", "{0.__class__}", "{profile:x}", "{", "}", "%s%n", "'", '"', '""', "x" * 300),
    *("2024-02-30", "2024-05-31", "0001-01-01", "9999-12-31T23:59:59+14:00", "2024-W01-1", "20240531", "24:00"),
    *("LF", "RH", "side", "sole", "outer", "inner", "before", "after", "heat;pain", "1 2 3 4 5", "1 2 1 2 5"),
    *("today", "measured", "refused", "review", "mm", "deg", "toe_length", "T", "ß", "İ", "ﬁ", "e\u0301"),
)
_BYTES = (
    b"\0",
    b"\xff",
    b"\xfe\xff",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\r",
    b"\n",
    b"\r\n",
    b'"',
    b",",
    b";",
    b"\t",
    b"{",
    b"[",
)


def bytewise(data: bytes, chance: random.Random) -> bytes:
    """Change, drop, repeat or insert a few bytes."""
    out = bytearray(data)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
        at = chance.randrange(len(out) + 1)
        length = chance.choice((1, 1, 2, 4, 16, 64))
        match chance.randrange(7):
            case 0 if out:
                out[at % len(out)] ^= 1 << chance.randrange(8)
            case 1 if out:
                out[at % len(out)] = chance.choice((0, 1, 127, 128, 254, 255, chance.randrange(256)))
            case 2:
                del out[at : at + length]
            case 3:
                out[at:at] = out[at : at + length] * chance.choice((1, 2, 30))
            case 4:
                out[at:at] = chance.choice(_BYTES)
            case 5:
                out[at:at] = chance.choice(WORDS).encode("utf-8", "surrogatepass")
            case _:
                other = chance.randrange(len(out) + 1)
                out[at : at + length] = out[other : other + length]
    if chance.random() < 0.03:
        del out[chance.randrange(len(out) + 1) :]
    return bytes(out)


# --- JSON


class _Raw(float):
    """A number that is written as it stands."""


def _odd(chance: random.Random) -> Any:
    kind = chance.randrange(13)
    if kind == 0:
        return None
    if kind == 1:
        return chance.random() < 0.5
    if kind == 2:
        return chance.choice((0, 1, -1, 2**31, 2**63, -(2**63) - 1, 10**400, 8, 9999, 10**4299))
    if kind == 3:
        return chance.choice((0.0, -0.0, 0.5, 1e308, -1e308, 5e-324, 1e16, 1e6 - 1e-9, 199.5))
    if kind == 4:
        return chance.choice((float("nan"), float("inf"), float("-inf")))
    if kind == 5:
        return chance.choice(([], {}, [[]], {"": {}}, [None], [[1, 2]] * 9, {"a": 1}, "x" * 2000))
    if kind == 6:
        deep: Any = 1
        for _ in range(chance.choice((3, 50, 400))):
            deep = [deep] if chance.random() < 0.5 else {"x": deep}
        return deep
    if kind == 7:
        return chance.choice(("\ud800", "a\udfff", "\0", "\u2028"))
    if kind == 8:
        return [[chance.uniform(-50, 400), chance.uniform(-50, 400)] for _ in range(chance.choice((1, 7, 8, 9, 40)))]
    return chance.choice(WORDS)


def _places(value: Any, found: list[tuple[Any, Any]]) -> None:
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in pairs:
        found.append((value, key))
        _places(part, found)


def changed_json(value: Any, chance: random.Random) -> Any:
    """Return JSON values with some of them replaced, moved, nudged, dropped or renamed. Changes them in place."""
    holder = [value]
    for _ in range(chance.choice((1, 1, 1, 2, 2, 4, 9))):
        found: list[tuple[Any, Any]] = []
        _places(holder, found)
        inner = [place for place in found if place[0] is not holder]
        whole, key = chance.choice(inner if inner and chance.random() > 0.01 else found)
        old = whole[key]
        match chance.randrange(9):
            case 0 | 1 | 2:
                whole[key] = _odd(chance)
            case 3:
                other, place = chance.choice(found)
                if other is not holder:
                    whole[key] = json.loads(json.dumps(other[place]))
            case 4 if whole is not holder:
                del whole[key]
            case 5 if isinstance(whole, dict):
                whole[chance.choice(WORDS)] = whole.pop(key)
            case 6 if isinstance(whole, list) and whole is not holder:
                whole[key:key] = [old] * chance.choice((1, 2, 20))
            case _:
                if isinstance(old, bool) or old is None:
                    whole[key] = _odd(chance)
                elif isinstance(old, int | float) and abs(old) < 1e300:
                    whole[key] = chance.choice((-old, old * 2, old / 3, old + 1, old * 1e9, int(old), round(old, 1)))
                elif isinstance(old, str):
                    whole[key] = bytewise(old.encode("utf-8", "surrogatepass"), chance).decode("utf-8", "replace")
    return holder[0]


def json_text(data: bytes, chance: random.Random) -> bytes:
    """Change a JSON text as values, now and then as bytes, names given twice and endless nesting included."""
    kind = chance.random()
    if kind < 0.12:
        return bytewise(data, chance)
    if kind < 0.125:
        return b'{"a":' * 3000 if chance.random() < 0.5 else b"[" * 100_000
    try:
        value = json.loads(data)
    except (ValueError, RecursionError):
        return bytewise(data, chance)
    try:
        text = json.dumps(changed_json(value, chance), ensure_ascii=chance.random() < 0.5)
    except (ValueError, OverflowError, RecursionError):  # integers of more digits than Python writes
        return bytewise(data, chance)
    if kind < 0.16:
        at = text.find("{") + 1
        text = text[:at] + '"schema": 1, "schema": 2, ' + text[at:]
    return text.encode("utf-8", "surrogatepass")


# --- tables


def table(data: bytes, chance: random.Random) -> bytes:
    """Change a table by its cells, rows, columns, delimiter or encoding."""
    if chance.random() < 0.15:
        return bytewise(data, chance)
    text = data.decode("utf-16", "replace") if data[:2] == b"\xff\xfe" else data.decode("utf-8", "surrogateescape")
    used = max(",;\t|", key=text.count)
    rows = [line.split(used) for line in text.split("\n")]
    for _ in range(chance.choice((1, 1, 2, 3, 6))):
        row = chance.choice(rows if chance.random() < 0.15 else rows[1:] or rows)
        at = chance.randrange(len(row)) if row else 0
        match chance.randrange(9):
            case 0 | 1 | 2 | 3 if row:
                word = chance.choice(WORDS)
                row[at] = word if chance.random() < 0.7 else '"' + word.replace('"', '""') + '"'
            case 4:
                rows.insert(chance.randrange(len(rows) + 1), list(chance.choice(rows)))
            case 5 if len(rows) > 1:
                rows.remove(row)
            case 6:
                row.insert(at, chance.choice(WORDS))
            case 7 if row:
                del row[at]
            case _:
                chance.shuffle(row)
    delimiter = used if chance.random() < 0.8 else chance.choice((",", ";", "\t", "|"))
    text = chance.choice(("\n", "\n", "\r\n", "\r")).join(delimiter.join(row) for row in rows)
    if chance.random() < 0.1:
        return text.encode(chance.choice(("utf-16", "utf-16-le", "utf-8-sig", "cp1252", "utf-32")), "replace")
    return text.encode("utf-8", "surrogatepass")


# --- TOML


_TOML = (
    *("1", "-1", "1e400", "nan", "inf", "-inf", "true", '"x"', "''", "[]", "{}", "[1, 'a']", "1979-05-27"),
    *("9" * 500, "1_0", "0o7", "85", '"{profile:toe_length}"'),
    *(
        '"P"',
        '"J"',
        '"fore"',
        "[" * 600,
        '"""',
        '"\\ud800"',
        '"\\u0000"',
        '"{claw}"',
        '"{fact:x}"',
        '"{profile:toe_length}"',
    ),
    *(
        '"each"',
        '"foot"',
        '"cut it to 5 mm"',
        '"{0}"',
        '"{claw!r:>99999999}"',
        '"{claw.__class__}"',
        "1_0",
        "0o7",
        "85",
    ),
)


def toml(data: bytes, chance: random.Random) -> bytes:
    """Change a TOML text by its lines and values."""
    if chance.random() < 0.15:
        return bytewise(data, chance)
    lines = data.decode("utf-8", "replace").split("\n")
    for _ in range(chance.choice((1, 1, 2, 3))):
        at = chance.randrange(len(lines))
        key, equals, _ = lines[at].partition("=")
        match chance.randrange(7):
            case 0 | 1 | 2 if equals:
                lines[at] = f"{key}= {chance.choice(_TOML)}"
            case 3:
                lines.insert(chance.randrange(len(lines) + 1), chance.choice(lines))
            case 4 if len(lines) > 1:
                del lines[at]
            case 5:
                other = chance.randrange(len(lines))
                _, other_equals, value = lines[other].partition("=")
                if equals and other_equals:
                    lines[at] = f"{key}={value}"
            case _:
                lines[at] = bytewise(lines[at].encode(), chance).decode("utf-8", "replace")
    return "\n".join(lines).encode("utf-8", "surrogatepass")


def one_of(mutators: Sequence[Mutator]) -> Mutator:
    """Return a mutator that is any of these."""
    return lambda data, chance: chance.choice(mutators)(data, chance)
