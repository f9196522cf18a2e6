"""Pictures that are real ones, and a measuring chain that takes no time and notes every photo. Importable by name."""

from __future__ import annotations

import io
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

from clawvision.output.models import PhotoRecord
from clawvision.reasons import reason
from clawvision.types import PhotoRequest, Settings
from tests.batch.fakes import PICTURE, result

CARDLESS, DOUBT = b"no card", b"doubt"


def picture(number: int, mark: bytes = b"") -> bytes:
    """Return a JPEG that is like no other number's; ``mark`` stands behind its end."""
    pixels = np.random.default_rng(number).integers(0, 255, (260, 320, 3), np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=80)
    return buffer.getvalue() + mark


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
        if content.endswith(CARDLESS):
            return result(request, "refused", reason("no_reference")), PICTURE
        if content.endswith(DOUBT):
            return result(request, "review", reason("blurred")), PICTURE
        if not content.endswith(b"\xff\xd9"):
            return result(request, "refused", reason("truncated", detail="cut")), None
        return result(request, "measured"), PICTURE
