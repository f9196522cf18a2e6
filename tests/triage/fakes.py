"""Pictures that are real ones, and a measuring chain that takes no time and notes every photo. Importable by name."""

from __future__ import annotations

import io
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import ExifTags, Image

from clawvision.output.models import PhotoRecord
from clawvision.reasons import reason
from clawvision.types import PhotoRequest, Settings
from tests.batch.fakes import PICTURE, result

CARDLESS, DOUBT = b"no card", b"doubt"


def picture(number: int, mark: bytes = b"") -> bytes:
    """Return a JPEG that is like no other number's; ``mark`` stands in it as the camera's make, which a copy keeps."""
    pixels = np.random.default_rng(number).integers(0, 255, (260, 320, 3), np.uint8)
    buffer = io.BytesIO()
    exif = Image.Exif()
    if mark:
        exif[ExifTags.Base.Make] = mark.decode("ascii")
    Image.fromarray(pixels).save(buffer, "JPEG", quality=80, exif=exif)
    return buffer.getvalue()


@dataclass(frozen=True)
class Noting:
    """Notes each photo in a file once it begins; what is marked is refused or doubted, what is cut short refused."""

    log: Path
    seconds: float = 0.0

    def __call__(self, request: PhotoRequest, settings: Settings) -> tuple[PhotoRecord, bytes | None]:
        with self.log.open("a") as stream:
            stream.write(f"{request.animal} {request.name}\n")
        time.sleep(self.seconds)
        content = request.path.read_bytes()
        if CARDLESS in content:
            return result(request, "refused", reason("no_reference")), PICTURE
        if DOUBT in content:
            return result(request, "review", reason("blurred")), PICTURE
        if not content.endswith(b"\xff\xd9"):
            return result(request, "refused", reason("truncated", detail="cut")), None
        return result(request, "measured"), PICTURE
