"""Writes the golden pictures anew: ``python -m tests.output.golden.renew``. Look at them before storing them."""

from PIL import Image

from clawvision.output.picture import annotate
from tests.output import made
from tests.output.test_output_picture import CASES, GOLDEN, small

for name, result in CASES.items():
    Image.fromarray(small(annotate(made.photo(), result())).astype("uint8")).save(GOLDEN / f"{name}.png", optimize=True)
