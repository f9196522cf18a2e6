"""Endless training pictures made on the spot: the same seed and number always give the same batch on one device."""

from __future__ import annotations

import os
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import current_process, get_context
from typing import cast

import numpy as np
import torch

from clawvision.scenes.crops import cut
from clawvision.scenes.pictures import Drawn, Wanted, draw_scene, render
from clawvision.scenes.references import ReferenceTexture, sample_reference
from clawvision.scenes.viewpoint import VIEWS, SceneView
from clawvision.training.batch import Batch

HEIGHT, WIDTH = 576, 768
_TAKES = 2
_REFERENCES = 96
_AHEAD = 24
_VIEW_SHARES = (0.46, 0.42, 0.035, 0.035, 0.05)


def _draw_batch(seed: int, number: int, count: int, held_out: bool, references: list[ReferenceTexture]) -> list[Drawn]:
    """Draw the scenes of a training batch; ``references`` are without their textures."""
    rng = np.random.default_rng([seed, number])
    views = [cast(SceneView, str(view)) for view in rng.choice(VIEWS, count, p=_VIEW_SHARES)]
    chosen = _chosen(seed, number, count)
    wanted = Wanted(held_out=held_out, plain=bool(rng.random() < 0.35), tight=0.6, takes=_TAKES)
    return [
        draw_scene((seed, number, index), view, wanted, references[chosen[index]]) for index, view in enumerate(views)
    ]


def _chosen(seed: int, number: int, count: int) -> list[int]:
    """Return which of the prepared references lies in each scene."""
    chosen: list[int] = np.random.default_rng([seed, number, 1]).integers(0, _REFERENCES, count).tolist()
    return chosen


class SceneFeed:
    """Batches of ``fine`` crops and ``coarse`` whole photos, two of each scene.

    Parameters
    ----------
    seed
        The same seed and number give the same batch.
    device
        Where to render.
    fine, coarse
        Pictures in a batch; ``coarse`` at most ``fine``.
    held_out
        Families that training never sees.
    workers
        Processes that draw scenes ahead; 0 draws them in this one. They change nothing but the speed.
    """

    def __init__(
        self, seed: int, device: torch.device, fine: int, coarse: int, held_out: bool = False, workers: int = 0
    ) -> None:
        self._seed = seed
        self._device = device
        self._scenes = max(1, fine // _TAKES)
        self._coarse = coarse
        self._held_out = held_out
        bank = [sample_reference(np.random.default_rng([seed, 99, index])) for index in range(_REFERENCES)]
        self._cards = torch.from_numpy(np.stack([one.texture for one in bank])).to(device)
        self._bank = [replace(one, texture=one.texture[:1, :1]) for one in bank]
        self._pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn")) if workers else None
        self._ahead: dict[int, Future[list[Drawn]]] = {}

    def _drawn(self, number: int) -> list[Drawn]:
        if self._pool is None:
            return _draw_batch(self._seed, number, self._scenes, self._held_out, self._bank)
        for later in range(number, number + _AHEAD):
            if later not in self._ahead:
                self._ahead[later] = self._pool.submit(
                    _draw_batch, self._seed, later, self._scenes, self._held_out, self._bank
                )
        return self._ahead.pop(number).result()

    def batch(self, number: int) -> Batch:
        """Return batch ``number``."""
        drawn = self._drawn(number)
        card = self._cards[_chosen(self._seed, number, self._scenes)].float() / 255.0
        seed = self._seed * 7919 + number
        pictures = render(drawn, card, self._device, height=HEIGHT, width=WIDTH, seed=seed)
        chance = torch.Generator(device=self._device)
        chance.manual_seed(seed)
        return cut(pictures, chance, self._coarse)


def make_feed(*, seed: int, device: torch.device, fine: int, coarse: int, held_out: bool) -> SceneFeed:
    """Make a feed of scenes for the training."""
    alone = device.type == "cpu" or current_process().daemon  # a daemon may have no children
    workers = 0 if alone else max(1, (os.cpu_count() or 2) - 3)
    return SceneFeed(seed, device, fine, coarse, held_out, workers)
