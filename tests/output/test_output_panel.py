"""The strips about a photo: what stands in them must not run into each other."""

from __future__ import annotations

import pytest

from clawvision.output.panel import Panel, _pairs
from clawvision.output.style import text_width


@pytest.mark.parametrize("width", [480, 700, 1200])
def test_a_measures_name_and_value_stand_apart(width: int) -> None:
    pairs = [("outer about as large", "104.7 ± 17.6 cm² (121 %)"), ("toes off the middle by", "16.7 ± 4.4 mm")]
    panel = Panel(width, round(width / 30))
    _pairs(panel, pairs)
    for name, value in zip(panel.texts[::2], panel.texts[1::2], strict=True):
        assert name[0] + text_width(name[2], name[3]) < value[0]
        assert value[0] + text_width(value[2], value[3]) <= width


def test_what_has_room_keeps_its_size() -> None:
    panel = Panel(1200, 24)
    _pairs(panel, [("outer wider by", "4.2 ± 5.0 mm (8 %)")])
    assert [text[3] for text in panel.texts] == [21, 24]
