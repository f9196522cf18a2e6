"""Pictures to begin with, and how they are changed so that a decoder still opens them."""

from __future__ import annotations

import io
import random
import struct
from functools import cache

from tests.fuzz.mutate import WORDS, bytewise
from tests.hostile import raw

_NUMBERS = (0, 1, 2, 7, 8, 9, 99, 255, 256, 65535, 65536, 2**31 - 1, 2**31, 2**32 - 1)
_TAGS = (
    *(0x010F, 0x0110, 0x0112, 0x8769, 0x8825, 0x9003, 0x9011, 0x920A, 0xA405, 0xA404, 0xA002, 0xA003, 0xA20E, 0xA20F),
    *(0xA210, 0xA005, 0x927C, 0x0201, 0x0202, 0x014A, 0x02BC, 0x8773, 0xC612, 0x9286, 0x0100, 0x0101, 0x0132),
)
_TIFF_TAGS = (256, 257, 258, 259, 262, 273, 277, 278, 279, 284, 317, 320, 322, 323, 324, 325, 330, 338, 339, 34675)
_TYPES = (0, 1, 2, 3, 4, 5, 7, 9, 10, 11, 12, 13, 16)
_LABELS = (
    *(b"MPF\0", b"ICC_PROFILE\0\1\1", b"Photoshop 3.0\0", b"http://ns.adobe.com/xap/1.0/\0", b"JFIF\0"),
    b"Adobe\0d",
)
_CHUNKS = (
    *(b"zTXt", b"iTXt", b"tEXt", b"iCCP", b"eXIf", b"tRNS", b"PLTE", b"acTL", b"fcTL", b"fdAT", b"gAMA", b"cHRM"),
    *(b"pHYs", b"sBIT", b"IDAT", b"IHDR", b"sRGB", b"tIME", b"IEND", b"abCd", b"mDCV"),
)


def _exif() -> bytes:
    return raw.block(
        [raw.ascii_tag(0x010F, "Anymaker"), raw.ascii_tag(0x0110, "One"), raw.short_tag(0x0112, 6)],
        [
            raw.ascii_tag(0x9003, "2030:05:31 08:15:00"),
            raw.ascii_tag(0x9011, "+02:00"),
            raw.ratio_tag(0x920A, 425, 100),
            raw.short_tag(0xA405, 26),
            raw.long_tag(0xA002, raw.SIZE[0]),
            raw.long_tag(0xA003, raw.SIZE[1]),
            raw.ratio_tag(0xA20E, 7000, 1),
            raw.short_tag(0xA210, 2),
        ],
    )


@cache
def seeds() -> tuple[bytes, ...]:
    """Return small pictures of every kind that is read."""
    colour, grey = raw.scene(), raw.scene(mode="L")
    jpeg = raw.saved(colour, "JPEG", quality=40)
    found = [
        jpeg,
        raw.with_exif(jpeg, _exif()),
        raw.saved(colour, "JPEG", quality=30, progressive=True),
        raw.saved(grey, "JPEG", quality=30),
        raw.saved(raw.scene(mode="CMYK"), "JPEG", quality=30),
        raw.saved(colour.quantize(16), "PNG", transparency=3),
        raw.with_chunk(raw.saved(grey, "PNG"), b"eXIf", _exif()),
        raw.saved(raw.scene((204, 204), "LA"), "PNG"),
        raw.saved(grey.convert("1"), "PNG"),
        raw.saved(grey.convert("1"), "TIFF", compression="group4"),
        raw.saved(grey, "TIFF", compression="tiff_lzw"),
        raw.saved(grey.convert("I;16"), "TIFF"),
        raw.saved(grey.convert("F"), "TIFF", compression="tiff_adobe_deflate"),
        raw.saved(colour, "TIFF", compression="jpeg", quality=40),
        raw.saved(colour.quantize(16), "TIFF", compression="packbits"),
        raw.saved(colour, "MPO", save_all=True, append_images=[grey.convert("RGB")], quality=30),
    ]
    try:
        from pillow_heif import from_pillow

        found.append(_heif(from_pillow(colour)))
    except ImportError:
        pass
    return tuple(found)


def _heif(file: object) -> bytes:
    stream = io.BytesIO()
    file.save(stream, quality=20)  # type: ignore[attr-defined]
    return stream.getvalue()


def _number(chance: random.Random) -> int:
    return chance.choice(_NUMBERS) if chance.random() < 0.7 else chance.getrandbits(32)


def _tag(chance: random.Random) -> raw.Tag:
    kind = chance.choice((1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 16, 0, 99))
    count = chance.choice((0, 1, 1, 1, 2, 3, 4, 5, _number(chance)))
    if kind == raw.ASCII and chance.random() < 0.7:
        data = chance.choice((*WORDS, "2030:05:31 08:15:00", "0000:00:00 00:00:00", "+99:99")).encode(
            "utf-8", "surrogatepass"
        )
        return (chance.choice(_TAGS), kind, chance.choice((len(data), len(data) + 1, count)), data)
    data = b"".join(struct.pack("<I", _number(chance)) for _ in range(chance.choice((0, 1, 1, 2, 2, 6))))
    return (chance.choice(_TAGS) if chance.random() < 0.9 else chance.getrandbits(16), kind, count, data)


def exif_block(chance: random.Random) -> bytes:
    """Return EXIF data of tags that may say anything, and lead anywhere."""
    main = [_tag(chance) for _ in range(chance.randrange(7))]
    detail = [_tag(chance) for _ in range(chance.randrange(9))]
    following = chance.choice((0, 0, 8, 8, 10, 26, _number(chance)))
    made = raw.block(main, detail, following)
    if chance.random() < 0.15:
        made = b"MM\0*" + made[4:]
    return bytewise(made, chance) if chance.random() < 0.3 else made


def _jpeg(data: bytes, chance: random.Random) -> bytes:
    kind = chance.randrange(6)
    if kind <= 2:
        return raw.with_exif(data, exif_block(chance))
    parts, rest = raw.segments(data)
    if not parts or kind == 3:
        head, tail = data[:700], data[700:]
        return bytewise(head, chance) + tail if chance.random() < 0.8 else bytewise(data, chance)
    at = chance.randrange(len(parts))
    marker, content = parts[at]
    match chance.randrange(5):
        case 0:
            del parts[at]
        case 1:
            parts.insert(chance.randrange(len(parts) + 1), (marker, content))
        case 2:
            parts[at] = (chance.choice((0xC0, 0xC2, 0xC4, 0xDB, 0xDD, 0xE0, 0xE1, 0xE2, 0xED, 0xEE, 0xFE)), content)
        case 3:
            label = chance.choice(_LABELS)
            parts.insert(at, (chance.choice((0xE0, 0xE1, 0xE2, 0xED, 0xEE)), label + exif_block(chance)))
        case _:
            parts[at] = (marker, bytewise(content, chance)[:65000])
    return b"\xff\xd8" + b"".join(raw.segment(*part) for part in parts) + rest


def _png(data: bytes, chance: random.Random) -> bytes:
    parts = raw.chunks(data)
    if not parts or chance.random() < 0.15:
        return bytewise(data, chance)
    for _ in range(chance.choice((1, 1, 2, 3))):
        at = chance.randrange(len(parts))
        kind, content = parts[at]
        match chance.randrange(6):
            case 0 | 1:
                parts[at] = (kind, bytewise(content, chance))
            case 2 if len(parts) > 1:
                del parts[at]
            case 3:
                parts.insert(at, (chance.choice(_CHUNKS), content))
            case 4:
                made = chance.choice((b"a\0\0" + bytes(chance.randrange(40)), exif_block(chance), b"", b"\0" * 26))
                parts.insert(chance.randrange(len(parts) + 1), (chance.choice(_CHUNKS), made))
            case _:
                parts[at] = (chance.choice(_CHUNKS), content)
    return raw.png_of(parts)


def _tiff(data: bytes, chance: random.Random) -> bytes:
    out = bytearray(data)
    order = "<" if data[:2] == b"II" else ">"
    if len(data) < 14 or chance.random() < 0.25:
        return bytewise(data, chance)
    (at,) = struct.unpack(order + "I", data[4:8])
    if at + 2 > len(data):
        return bytewise(data, chance)
    (count,) = struct.unpack(order + "H", data[at : at + 2])
    for _ in range(chance.choice((1, 1, 2, 3))):
        entry = at + 2 + 12 * chance.randrange(max(1, min(count, 40)))
        if entry + 12 > len(out):
            continue
        match chance.randrange(5):
            case 0:
                out[entry : entry + 2] = struct.pack(
                    order + "H",
                    chance.choice(
                        (
                            *_TAGS,
                            256,
                            257,
                            258,
                            259,
                            262,
                            273,
                            277,
                            278,
                            279,
                            284,
                            317,
                            320,
                            322,
                            324,
                            330,
                            338,
                            339,
                            34675,
                        )
                    ),
                )
            case 1:
                out[entry + 2 : entry + 4] = struct.pack(order + "H", chance.choice(_TYPES))
            case 2:
                out[entry + 4 : entry + 8] = struct.pack(order + "I", _number(chance))
            case 3:
                out[entry + 8 : entry + 12] = struct.pack(order + "I", _number(chance))
            case _:
                end = at + 2 + 12 * count
                out[end : end + 4] = struct.pack(order + "I", chance.choice((8, at, _number(chance))))
    return bytes(out)


def picture(data: bytes, chance: random.Random) -> bytes:
    """Change a picture by the pieces of its own format."""
    if chance.random() < 0.02:
        other = chance.choice(seeds())
        return data[: chance.randrange(1, 64)] + other[chance.randrange(1, 64) :]
    if data.startswith(b"\xff\xd8"):
        return _jpeg(data, chance)
    if data.startswith(b"\x89PNG"):
        return _png(data, chance)
    if data[:2] in (b"II", b"MM"):
        return _tiff(data, chance)
    head = data[:900]
    return bytewise(head, chance) + data[900:] if chance.random() < 0.8 else bytewise(data, chance)
