"""Writes the golden pictures anew: ``python -m tests.compare.golden.renew``. Look at them before storing them."""

from PIL import Image

from tests.compare.test_compare_picture import CASES, GOLDEN, picture

for view, claw in CASES:
    Image.fromarray(picture(view, claw).astype("uint8")).save(GOLDEN / f"{view}.png", optimize=True)
