"""The claw's plane turned in depth, and a card that is not in line with its claw: against plain trigonometry, and on
sample photos whose card is turned by a known angle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from clawvision.measure.claws import measure_claws
from clawvision.measure.in_line import lean_in_plane, out_of_line
from clawvision.measure.side_view import measure_side_claw
from clawvision.measure.viewing import Viewing, along_claw, shared_causes, viewing_of
from clawvision.types import ClawResult, Lean, Outlines, Scale, frozen_array
from tests.measure.test_measure_found import scale_of, with_found
from tests.truth import true_photos

_PHOTO = next(photo for photo in true_photos() if photo.name == "101_side.jpg")


def turned(scale: Scale, degrees: float) -> Scale:
    """Turn the card about the upright through its middle; what was photographed stays as it is."""
    middle = np.append(np.asarray(scale.reference.points_mm).mean(axis=0), 0.0)
    upright = scale.rotation.T @ (0.0, 1.0, 0.0)
    upright = (upright * (1.0, 1.0, 0.0)) / np.hypot(*upright[:2])
    x, y, z = upright
    across = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    angle = np.radians(degrees)
    turn = np.eye(3) + np.sin(angle) * across + (1.0 - np.cos(angle)) * across @ across  # Rodrigues' formula
    rotation = scale.rotation @ turn
    shift = scale.rotation @ middle + scale.translation - rotation @ middle
    return replace(scale, rotation=frozen_array(rotation), translation=frozen_array(shift))


def facing(scale: Scale) -> Scale:
    """Return the scale of a card that squarely faces the camera."""
    return replace(scale, rotation=frozen_array(np.eye(3)), translation=frozen_array(np.array([0.0, 0.0, 500.0])))


@given(st.floats(-40.0, 40.0))
def test_a_direction_in_a_turned_plane_leads_away_by_that_angle(degrees: float) -> None:
    square = facing(scale_of(_PHOTO))
    centre = np.array([square.camera.cx, square.camera.cy])
    assert lean_in_plane(square, np.array([1.0, 0.0]), centre) == pytest.approx(0.0, abs=1e-6)
    lean = lean_in_plane(turned(square, degrees), np.array([1.0, 0.0]), centre)
    assert abs(lean) == pytest.approx(abs(degrees), abs=1e-6)
    assert lean_in_plane(turned(square, degrees), np.array([-1.0, 0.0]), centre) == pytest.approx(-lean, abs=1e-9)


def measured() -> tuple[ClawResult, Scale, float]:
    """Return a sample's claw, its scale, and how far its bearing line leads from the camera in the card's plane."""
    scale = scale_of(_PHOTO)
    claw = measure_side_claw(with_found(_PHOTO), scale)
    toe, heel = (np.array(claw.landmarks_mm[name]) for name in "TH")
    middle = 0.5 * (np.array(claw.landmarks_px["C"]) + np.array(claw.landmarks_px["B"]))
    return claw, scale, lean_in_plane(scale, (toe - heel) / np.hypot(*(toe - heel)), middle)


def test_only_a_turn_beyond_chance_is_told() -> None:
    claw, scale, level = measured()
    in_line = level
    assert out_of_line(Lean(in_line, 4.0), claw, scale) is None
    assert out_of_line(Lean(in_line + 12.4, 4.0), claw, scale) is None  # 2.5 times 5, of 4 and 3 together
    assert out_of_line(Lean(in_line + 12.6, 4.0), claw, scale) == pytest.approx(12.6, abs=1e-6)
    assert out_of_line(Lean(in_line - 20.0, 4.0), claw, scale) == pytest.approx(20.0, abs=1e-6)
    assert out_of_line(Lean(in_line - 20.0, 9.0), claw, scale) is None
    ruler = replace(scale, reference=replace(scale.reference, kind="ruler"))
    assert out_of_line(Lean(in_line - 20.0, 4.0), claw, ruler) is None


@pytest.mark.parametrize("degrees", [-20.0, 20.0])
def test_a_card_turned_against_the_claw_asks_for_a_look(degrees: float) -> None:
    _, scale, level = measured()
    claw = replace(with_found(_PHOTO), lean=Lean(level, 4.0))
    outlines = Outlines("side", False, (claw,))
    assert "card_turned" not in {why.code for why in measure_claws(outlines, scale).reasons}
    reasons = {why.code: why for why in measure_claws(outlines, turned(scale, degrees)).reasons}
    assert reasons["card_turned"].effect == "review"
    unread = Outlines("side", False, (replace(claw, lean=None),))
    assert "card_turned" not in {why.code for why in measure_claws(unread, turned(scale, degrees)).reasons}


def test_doubt_about_yaw_turns_the_plane_along_the_claw_however_the_card_is_spun() -> None:
    square = replace(facing(scale_of(_PHOTO)), offset_mm=25.0)
    card = np.asarray(square.reference.points_mm).mean(axis=0)
    nominal = along_claw(viewing_of(square), np.array([0.6, 0.8]))

    def depth(viewing: Viewing, place: np.ndarray) -> float:
        return float(viewing.scale.offset_mm + (place - viewing.pivot_mm) @ np.array(viewing.lean))

    causes = dict(shared_causes(nominal, "side"))
    along, across = np.array([0.6, 0.8]), np.array([-0.8, 0.6])
    for name, turned_way, kept, degrees in (("plane_yaw", along, across, 3.0), ("plane_pitch", across, along, 1.6)):
        moved = causes[name]
        assert depth(moved, card) == pytest.approx(25.0)
        assert depth(moved, card + 70.0 * turned_way) == pytest.approx(25.0 + 70.0 * np.tan(np.radians(degrees)))
        assert depth(moved, card + 70.0 * kept) == pytest.approx(25.0)
