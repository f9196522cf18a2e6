"""The kept hostile files, written by a program: small, the same every time, and said in words what each one is."""

from __future__ import annotations

import io
import os
import struct
import zipfile
import zlib
from pathlib import Path

from tests.hostile import raw

PLACE = (56.789012, 12.345678)
"""Where the photo says it was taken. Nobody lives there, and no output may tell it."""
FORMULAS = ("=1+1", "+1+1", "-1+1", "@SUM(A1)", "＝1+1")
MARKUP = '<script>alert("x")</script><img src=x onerror=alert(1)>'
NAMES = (
    "line\nbreak.jpg",
    "\x1b[31mred\x1b]0;title\x07.jpg",
    "\u202egpj.exe.jpg",
    "=cmd|' -C calc'!A0.jpg",
    "<img src=x onerror=alert(1)>.jpg",
    "CON.jpg",
    "nul.tar.jpg",
    "n" * 240 + ".jpg",
    "..jpg",
    "a b%00'\"&;$(touch x)`.jpg",
    os.fsdecode(b"\xff\xfe.jpg"),
)


def _gps() -> list[raw.Tag]:
    def degrees(number: int, value: float) -> raw.Tag:
        return (number, raw.RATIONAL, 3, struct.pack("<6I", int(value), 1, 0, 1, round(value % 1 * 3.6e9), 1_000_000))

    return [raw.ascii_tag(1, "N"), degrees(2, PLACE[0]), raw.ascii_tag(3, "E"), degrees(4, PLACE[1])]


def _located(jpeg: bytes) -> bytes:
    """Return a JPEG whose EXIF data hold a place, and a text that says it too."""
    main = [raw.ascii_tag(0x010F, "Anymaker"), raw.long_tag(0x8825, 0)]
    there = 8 + len(raw.directory(main, 8))
    main[-1] = raw.long_tag(0x8825, there)
    block = b"II*\0" + struct.pack("<I", 8) + raw.directory(main, 8) + raw.directory(_gps(), there)
    return raw.with_segment(raw.with_exif(jpeg, block), 0xFE, f"{PLACE[0]},{PLACE[1]}".encode())


def _zip() -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("../../climbed.txt", "x")
    return stream.getvalue()


def pictures() -> dict[str, bytes]:
    """Return the pictures that no decoder should be led astray by, by name."""
    colour, grey = raw.scene(), raw.scene(mode="L")
    jpeg, png = raw.saved(colour, "JPEG", quality=40), raw.saved(colour, "PNG")
    bomb = zlib.compress(b"\0" * 60_000_000, 9)
    frame = jpeg.index(b"\xff\xc0")
    huge_jpeg = jpeg[: frame + 5] + struct.pack(">HH", 60_000, 60_000) + jpeg[frame + 9 :]
    several = [grey.convert("RGB"), colour.copy()]
    slow = raw.saved(raw.scene((1200, 1200), "L"), "JPEG", progressive=True, quality=20)
    last = slow[slow.rindex(b"\xff\xda") : -2]
    numbers = [(0x0112, raw.SHORT, 1, struct.pack("<H", 99)), raw.ascii_tag(0x0110, MARKUP + "\x1b[31m")]
    lies = [
        raw.ratio_tag(0x920A, 50, 0),
        raw.ratio_tag(0xA20E, -7000, 1, signed=True),
        raw.long_tag(0xA002, 2**32 - 1),
        raw.long_tag(0xA003, 1),
        raw.ascii_tag(0x9003, "9999:99:99 99:99:99"),
        (0x927C, raw.UNDEFINED, 2**32 - 1, b"\x08\0\0\0"),
    ]
    loop = raw.block(numbers[:1], following=8)
    many = b"II*\0" + struct.pack("<IH", 8, 5000)
    many += b"".join(struct.pack("<HHII", 1000 + i, 7, 50_000, 8) for i in range(5000)) + b"\0" * 4
    pixels = bytes(raw.SIZE[0] * raw.SIZE[1] * 3)
    tags = raw.tiff_tags(*raw.SIZE)
    tile = [
        *(raw.long_tag(256, 300), raw.long_tag(257, 300), raw.short_tag(258, 8), raw.short_tag(259, 8)),
        *(raw.short_tag(262, 1), raw.short_tag(277, 1), raw.long_tag(322, 30_000), raw.long_tag(323, 30_000)),
        *(raw.long_tag(324, 8), raw.long_tag(325, 5000)),
    ]
    return {
        # Bombs
        "bomb_png.png": raw.png_of([(b"IHDR", raw.png_header(60_000, 60_000)), (b"IDAT", bomb[:2000]), (b"IEND", b"")]),
        "bomb_jpeg.jpg": huge_jpeg,
        "bomb_tiff.tif": raw.tiff(raw.tiff_tags(60_000, 60_000), b"\0" * 64),
        "bomb_text.png": raw.with_chunk(png, b"zTXt", b"a\0\0" + bomb),
        "bomb_profile.png": raw.with_chunk(png, b"iCCP", b"a\0\0" + bomb),
        "bomb_tile.tif": raw.tiff(tile, bomb[:5000]),
        "bomb_passes.jpg": slow[:-2] + last * 500 + slow[-2:],
        "bomb_parts.jpg": jpeg[:2] + raw.segment(0xE1, b"Exif\0\0a") * 5000 + jpeg[2:],
        "bomb_tags.jpg": raw.with_exif(jpeg, many[:65_000]),
        "bomb_tags.tif": raw.tiff(
            [*tags, *((50_000 + i, 7, 100_000, b"\x08\0\0\0") for i in range(50))], pixels[:9000]
        ),
        # Not what they say
        "cut.jpg": jpeg[: len(jpeg) // 2],
        "cut.png": png[: len(png) // 2],
        "cut.tif": raw.tiff(tags, pixels)[:5000],
        "empty.jpg": b"",
        "two_bytes.jpg": b"\xff\xd8",
        "jpeg_and_zip.jpg": jpeg + _zip(),
        "jpeg_and_html.jpg": raw.with_segment(jpeg, 0xFE, MARKUP.encode()) + MARKUP.encode(),
        "gif_then_jpeg.jpg": b"GIF89a" + jpeg,
        "html.jpg": f"<html>{MARKUP}</html>".encode(),
        "postscript.png": b"%!PS-Adobe-3.0 EPSF-3.0\n(/etc/passwd) (r) file\n",
        "png_as.tif": png,
        # Odd kinds
        "cmyk.jpg": raw.saved(raw.scene(mode="CMYK"), "JPEG", quality=30),
        "lab.tif": raw.saved(raw.scene(mode="LAB"), "TIFF", compression="tiff_adobe_deflate"),
        "one_bit.png": raw.saved(grey.convert("1"), "PNG"),
        "sixteen_bit.png": raw.saved(grey.convert("I;16"), "PNG"),
        "float.tif": raw.saved(grey.convert("F"), "TIFF", compression="tiff_adobe_deflate"),
        "palette_clear.png": raw.saved(colour.quantize(8), "PNG", transparency=2),
        # EXIF data that lie
        "lies.jpg": raw.with_exif(jpeg, raw.block(numbers, lies)),
        "loop.jpg": raw.with_exif(jpeg, loop),
        "loop.tif": _looped(tags, pixels),
        "place.jpg": _located(jpeg),
        "thumbnail.jpg": raw.with_exif(jpeg, raw.block([raw.long_tag(0x0201, 8), raw.long_tag(0x0202, 2**31)])),
        # Several pictures
        "animated.png": raw.saved(colour, "PNG", save_all=True, append_images=[each.copy() for each in several]),
        "several.jpg": raw.saved(colour, "MPO", save_all=True, append_images=several, quality=30),
        "pages.tif": raw.saved(
            colour,
            "TIFF",
            save_all=True,
            compression="tiff_adobe_deflate",
            append_images=[each.copy() for each in several],
        ),
    }


def _looped(tags: list[raw.Tag], pixels: bytes) -> bytes:
    """Return a TIFF whose directory names itself as the next one; its pixels are packed."""
    packed = zlib.compress(pixels, 9)
    changed = [
        raw.short_tag(259, 8) if tag[0] == 259 else raw.long_tag(279, len(packed)) if tag[0] == 279 else tag
        for tag in tags
    ]
    start = 8 + len(packed) + len(packed) % 2
    return raw.tiff(changed, packed, start)


def write(folder: Path, secret: Path) -> int:
    """Write everything into a folder; ``secret`` is a picture outside that links lead to. Return the bytes written.

    There are no two files of one content, and no table: see `manifest_rows`.
    """
    folder.mkdir(parents=True)
    made = pictures()
    refused = b"GIF89a"  # names are tried with files that are refused at once
    made |= {name: refused + name.encode("utf-8", "surrogateescape") for name in NAMES}
    for name, data in made.items():
        (folder / name).write_bytes(data)
    (folder / "link_to_passwd.jpg").symlink_to("/etc/passwd")
    (folder / "link_out.jpg").symlink_to(secret)
    (folder / "link_loop.jpg").symlink_to("link_loop.jpg")
    (folder / "link_nowhere.jpg").symlink_to("nowhere.jpg")
    (folder / "folder.jpg").mkdir()
    os.mkfifo(folder / "pipe.jpg")
    (folder / "lies.jpg.outline.json").write_text('{"outer": {"landmarks_px": {"T": [1e9, -1]}}, "x": "../../a"}')
    (folder / "cmyk.jpg.outline.json").write_text("[" * 5000)
    (folder / "place.jpg.outline.json").symlink_to("/dev/zero")
    return sum(len(data) for data in made.values())


HEADER = "photo,animal,foot,view,claw,stage,taken,profile,offset_mm,trimmed,locomotion,signs,tick_mm,points,x_note"


def hostile_manifest() -> str:
    """Return a table whose rows name files, animals and notes that a spreadsheet, a page or a terminal would act on."""
    rows = [
        f"{name},{FORMULAS[i]},,,,,,,,,,,,,{FORMULAS[i]}" for i, name in enumerate(("place.jpg", "lies.jpg", "cut.jpg"))
    ]
    rows += [f'loop.jpg,"{MARKUP.replace(chr(34), chr(34) * 2)}",LF,side,outer,before,,,,,,,,,']
    rows += ["\"=cmd|' -C calc'!A0.jpg\",@SUM(A1),,,,,,,,,,,,,", "<img src=x onerror=alert(1)>.jpg,-1+1,,,,,,,,,,,,,"]
    return "\n".join([HEADER, *rows, ""])


CLIMBING = (
    "../secret.jpg",
    "/etc/passwd",
    "a/../../secret.jpg",
    "C:\\secret.jpg",
    "\\\\host\\share\\a.jpg",
    "link_out.jpg",
)
"""What a manifest may not name."""
