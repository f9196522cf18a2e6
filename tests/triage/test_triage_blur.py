"""Pictures made before the background was to be blurred do not stay."""

from __future__ import annotations

from pathlib import Path

from clawvision.types import Settings
from tests.triage.fakes import picture
from tests.triage.test_triage_rounds import Duty, duty  # noqa: F401 - a fixture


def test_asked_to_blur_all_of_a_senders_photos_are_done_again(duty: Duty) -> None:  # noqa: F811
    duty.put("Clover/a.jpg", picture(1))
    duty.rounds()
    blurred = Settings(blur_background=True)
    for settings, times in ((Settings(), 1), (blurred, 2), (blurred, 2)):
        duty.again(settings=settings)
        duty.rounds()
        assert Path(duty.log).read_text().count("a.jpg") == times
