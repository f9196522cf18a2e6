"""Training on the drawn feed: it learns, stops, goes on where it stopped, and passes errors on."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

torch = pytest.importorskip("torch")

from clawvision.training import train  # noqa: E402
from clawvision.training.batch import Batch  # noqa: E402
from clawvision.training.network import SIZES, ClawNet  # noqa: E402
from clawvision.training.ranks import Ranks  # noqa: E402
from clawvision.training.store import AVERAGE, MOMENTS, WEIGHTS, Progress, load_run, save_run  # noqa: E402
from clawvision.training.supply import Supply  # noqa: E402
from clawvision.training.targets import overlap, read_landmarks, soft_masks  # noqa: E402
from tests.training.drawn import DrawnFeed  # noqa: E402

CPU = torch.device("cpu")
ALONE = Ranks(0, 1, CPU)


def drawn(seed: int = 3, fine: int = 4, coarse: int = 2) -> DrawnFeed:
    return DrawnFeed(seed=seed, device=CPU, fine=fine, coarse=coarse, held_out=False)


def test_learns_a_batch_by_heart() -> None:
    torch.manual_seed(0)
    network = ClawNet(SIZES["small"])
    optimiser = train.make_optimiser(network, 6e-3)
    batch = drawn().batch(0)
    first = last = math.nan
    for step in range(50):
        loss, _ = train.batch_loss(network, batch, half=False)
        loss.backward()
        train.take_step(network, optimiser, ALONE, 0.02 + step / 60)
        first, last = (loss.item() if step == 0 else first), loss.item()
    assert last < 0.3 * first
    with torch.no_grad():
        seen = network(batch.fine.picture)
    assert overlap(seen.masks, soft_masks(batch.fine.masks))[:, :2].min() > 0.8
    distance = (read_landmarks(seen.landmarks) - batch.fine.landmarks).norm(dim=2)
    assert distance[batch.fine.seen > 0].median() < 2.0
    assert (seen.facts[:, :5].argmax(1) == batch.fine.view).all()


def arguments(out: Path, *more: str) -> list[str]:
    given = ["--out", str(out), "--size", "small", "--device", "cpu", "--feed", "tests.training.drawn:DrawnFeed"]
    return [*given, "--fine", "2", "--coarse", "2", "--minutes", "0.02", "--planned-minutes", "0.05", *more]


def test_a_run_stops_in_time_and_goes_on_where_it_stopped(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    train.main(arguments(tmp_path / "one", "--validate", "1"))
    said = capsys.readouterr().out
    assert "pictures/s" in said
    assert "view right" in said
    network, average = ClawNet(SIZES["small"]), ClawNet(SIZES["small"])
    stopped = load_run(tmp_path / "one", network, average, train.make_optimiser(network, 1e-3))
    assert stopped.step > 0
    assert 1.2 <= stopped.seconds < 15.0
    train.main(arguments(tmp_path / "two", "--validate", "0", "--overlap", "--resume", str(tmp_path / "one")))
    further = load_run(tmp_path / "two", network, average, train.make_optimiser(network, 1e-3))
    assert further.step > stopped.step
    assert further.seconds > stopped.seconds + 1.0


def test_a_stored_run_comes_back_as_it_was(tmp_path: Path) -> None:
    network, average = ClawNet(SIZES["small"]), ClawNet(SIZES["small"])
    optimiser = train.make_optimiser(network, 1e-3)
    train.batch_loss(network, drawn().batch(0), half=False)[0].backward()
    train.take_step(network, optimiser, ALONE, 0.5)
    save_run(tmp_path, network, average, optimiser, Progress(7, 33.0))
    again, again_average = ClawNet(SIZES["small"]), ClawNet(SIZES["small"])
    again_optimiser = train.make_optimiser(again, 1e-3)
    assert load_run(tmp_path, again, again_average, again_optimiser) == Progress(7, 33.0)
    for name, value in network.state_dict().items():
        torch.testing.assert_close(again.state_dict()[name], value, rtol=0, atol=0)
    for name, value in average.state_dict().items():
        torch.testing.assert_close(again_average.state_dict()[name], value, rtol=2**-11, atol=1e-7)
    for p, q in zip(network.parameters(), again.parameters(), strict=True):
        for moment in MOMENTS:
            torch.testing.assert_close(
                again_optimiser.state[q][moment], optimiser.state[p][moment], rtol=2**-8, atol=1e-12
            )


def test_files_of_different_steps_are_refused(tmp_path: Path) -> None:
    network = ClawNet(SIZES["small"])
    optimiser = train.make_optimiser(network, 1e-3)
    for step, folder in ((1, tmp_path / "a"), (2, tmp_path / "b")):
        save_run(folder, network, network, optimiser, Progress(step, 1.0))
    (tmp_path / "b" / WEIGHTS[1]).replace(tmp_path / "a" / WEIGHTS[1])
    with pytest.raises(ValueError, match="different steps"):
        load_run(tmp_path / "a", network, network, optimiser)


def test_every_file_of_a_full_run_can_travel(tmp_path: Path) -> None:
    network = ClawNet()
    optimiser = train.make_optimiser(network, 1e-3)
    for p in network.parameters():
        optimiser.state[p] = {"exp_avg": torch.randn_like(p), "exp_avg_sq": torch.rand_like(p)}
    save_run(tmp_path, network, network, optimiser, Progress(1, 1.0))
    files = sorted(tmp_path.iterdir())
    assert [one.name for one in files] == sorted([AVERAGE, *WEIGHTS, *MOMENTS.values()])
    assert max(one.stat().st_size for one in files) < 15e6


def test_a_gradient_that_is_not_finite_changes_nothing() -> None:
    network = ClawNet(SIZES["small"])
    optimiser = train.make_optimiser(network, 1e-3)
    before = {name: p.detach().clone() for name, p in network.named_parameters()}
    for p in network.parameters():
        p.grad = torch.full_like(p, math.nan)
    for group in optimiser.param_groups:
        group["weight_decay"] = 0.0
    train.take_step(network, optimiser, ALONE, 0.5)
    for name, p in network.named_parameters():
        torch.testing.assert_close(p.detach(), before[name], rtol=0, atol=0)


def test_rate_rises_then_falls() -> None:
    shares = [train.rate_share(done / 200) for done in range(201)]
    top = shares.index(max(shares))
    assert 0 < top < 10
    assert all(a > b for a, b in zip(shares[top:], shares[top + 1 :], strict=False))
    assert shares[-1] == pytest.approx(train.LAST_RATE)
    assert train.rate_share(1.5) == pytest.approx(train.LAST_RATE)


def test_frozen_norms_no_longer_follow_the_pictures() -> None:
    network = ClawNet(SIZES["small"]).train()
    train.freeze_norms(network)
    before = {name: value.clone() for name, value in network.state_dict().items() if "running" in name}
    network(torch.rand(2, 3, 64, 64) * 255)
    after = network.state_dict()
    assert before
    assert all(torch.equal(after[name], value) for name, value in before.items())


@pytest.mark.parametrize("overlap_feed", [False, True])
def test_batches_come_in_order(overlap_feed: bool) -> None:
    feed = drawn(fine=1, coarse=1)
    supply = Supply(feed, 5, CPU, overlap_feed)
    try:
        for number in range(5, 9):
            assert torch.equal(supply.next_batch().fine.picture, feed.batch(number).fine.picture)
    finally:
        supply.close()


def test_an_error_of_the_feed_beside_the_training_comes_out() -> None:
    class Broken:
        def batch(self, number: int) -> Batch:
            raise ArithmeticError(f"batch {number}")

    supply = Supply(Broken(), 0, CPU, overlap=True)
    with pytest.raises(ArithmeticError, match="batch 0"):
        supply.next_batch()
    supply.close()
