"""Training runs on disk: five small files, all of the same step, replaced together.

No file grows past about 9 MB at full size, so that a run can travel in pieces. ``average.pt`` alone
is what the export needs; the other four let the training go on where it stopped.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn

AVERAGE = "average.pt"
WEIGHTS = ("weights_1.pt", "weights_2.pt")
MOMENTS = {"exp_avg": "moments_1.pt", "exp_avg_sq": "moments_2.pt"}
KEPT_WHOLE = 2048
"""Tensors of fewer numbers (norms, biases, running variances) are never stored in half precision."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run has come: steps taken and seconds trained, over all its parts."""

    step: int = 0
    seconds: float = 0.0


def _shrunk(state: Mapping[str, Tensor], dtype: torch.dtype) -> dict[str, Tensor]:
    small: dict[str, Tensor] = {}
    for name, value in state.items():
        lower = value.is_floating_point() and value.numel() >= KEPT_WHOLE
        small[name] = value.detach().to("cpu", dtype if lower else value.dtype)
    return small


def save_run(
    folder: Path, network: nn.Module, average: nn.Module, optimiser: torch.optim.Optimizer, progress: Progress
) -> None:
    """Write the run into ``folder``; an older state stays whole until every new file is written."""
    folder.mkdir(parents=True, exist_ok=True)
    weights = {name: value.detach().cpu() for name, value in network.state_dict().items()}
    names = list(weights)
    reached = np.cumsum([weights[name].numel() for name in names])
    half = int(np.searchsorted(reached, reached[-1] / 2)) + 1
    content: dict[str, dict[str, Any]] = {
        AVERAGE: _shrunk(average.state_dict(), torch.float16),
        WEIGHTS[0]: {name: weights[name] for name in names[:half]},
        WEIGHTS[1]: {name: weights[name] for name in names[half:]},
    }
    for moment, file in MOMENTS.items():
        content[file] = _shrunk(_moments(network, optimiser, moment), torch.bfloat16)
    parts = []
    for file, values in content.items():
        part = folder / (file + ".part")
        torch.save({"step": progress.step, "seconds": progress.seconds, "values": values}, part)
        parts.append((part, folder / file))
    for part, file_path in parts:
        part.replace(file_path)


def _moments(network: nn.Module, optimiser: torch.optim.Optimizer, moment: str) -> dict[str, Tensor]:
    states = optimiser.state
    return {name: states[p][moment] for name, p in network.named_parameters() if moment in states.get(p, {})}


def _read(path: Path) -> dict[str, Any]:
    content: dict[str, Any] = torch.load(path, map_location="cpu", weights_only=True)
    return content


def load_average(network: nn.Module, folder: Path) -> Progress:
    """Fill ``network`` with the averaged weights of a run; return how far that run had come."""
    content = _read(folder / AVERAGE)
    network.load_state_dict(content["values"])
    return Progress(content["step"], content["seconds"])


def load_run(folder: Path, network: nn.Module, average: nn.Module, optimiser: torch.optim.Optimizer) -> Progress:
    """Fill network, average and optimiser with a stored run; return how far it had come.

    Raises
    ------
    FileNotFoundError
        One of the five files is missing.
    ValueError
        The files are of different steps.
    """
    content = {file: _read(folder / file) for file in (AVERAGE, *WEIGHTS, *MOMENTS.values())}
    steps = {part["step"] for part in content.values()}
    if len(steps) > 1:
        raise ValueError(f"the files of this run are of different steps: {sorted(steps)}")
    network.load_state_dict(content[WEIGHTS[0]]["values"] | content[WEIGHTS[1]]["values"])
    average.load_state_dict(content[AVERAGE]["values"])
    step = steps.pop()
    for name, p in network.named_parameters():
        state: dict[str, Tensor] = {"step": torch.tensor(float(step))}
        for moment, file in MOMENTS.items():
            values = content[file]["values"]
            if name in values:
                state[moment] = values[name].to(p.device, torch.float32)
        if len(state) == 1 + len(MOMENTS):
            optimiser.state[p] = state
    return Progress(step, content[AVERAGE]["seconds"])
