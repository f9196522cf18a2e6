"""Writes the golden pictures and the golden text anew: ``python -m tests.output.golden.renew``.

Look at them before storing them.
"""

from PIL import Image

from clawvision.output.picture import annotate
from tests.output import made, test_output_explanation
from tests.output.test_output_picture import CASES, GOLDEN, small

for name, result in CASES.items():
    Image.fromarray(small(annotate(made.photo(), result())).astype("uint8")).save(GOLDEN / f"{name}.png", optimize=True)
test_output_explanation.GOLDEN.write_text(test_output_explanation.whole() + "\n", encoding="utf-8")
