"""The exported file, read by OpenCV, against PyTorch."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

torch = pytest.importorskip("torch")
onnx = pytest.importorskip("onnx")

import cv2  # noqa: E402
import numpy as np  # noqa: E402

from clawvision.training import export, train  # noqa: E402
from clawvision.training.network import SIZES, ClawNet  # noqa: E402
from clawvision.training.store import Progress, save_run  # noqa: E402

SIZES_IN_TURN = ((384, 512), (192, 256), (384, 512))


def lively(name: str) -> ClawNet:
    """Return a network of random weights whose running statistics are not the initial ones."""
    torch.manual_seed(5)
    network = ClawNet(SIZES[name])
    with torch.no_grad():
        network(torch.rand(2, 3, 64, 96) * 255)
    return network.eval()


def check_halved(content: bytes) -> None:
    """Check that every constant of some length is stored in half precision."""
    stored = onnx.load_from_string(content).graph.initializer
    large = [one for one in stored if np.prod(one.dims) >= export.SMALLEST_HALVED]
    assert len(large) > 50
    assert {one.data_type for one in large} == {onnx.TensorProto.FLOAT16}


def test_opencv_reads_one_file_at_both_sizes_and_agrees_with_torch(tmp_path: Path) -> None:
    network = lively("small")
    content = export.as_onnx(network)
    path = tmp_path / "model.onnx"
    path.write_bytes(content)
    check_halved(content)
    read = cv2.dnn.readNetFromONNX(str(path))
    rng = np.random.default_rng(0)
    for size in SIZES_IN_TURN:
        picture = (rng.random((1, 3, *size)) * 255).astype(np.float32)
        with torch.no_grad():
            expected = network(torch.from_numpy(picture))
        read.setInput(picture, export.INPUT)
        for ours, theirs in zip(read.forward(list(export.OUTPUTS)), expected, strict=True):
            assert np.size(ours) == theirs.numel()
            scale = max(float(theirs.std()), 0.1)
            # Half precision keeps 11 bits of each weight; some sixty layers deep that leaves about 1 %.
            np.testing.assert_allclose(np.reshape(ours, theirs.shape), theirs.numpy(), rtol=0, atol=0.05 * scale)


def test_full_size_fits_ten_megabytes_and_says_nothing_of_the_machine() -> None:
    content = export.as_onnx(lively("full"))
    assert len(content) < 10e6
    model = onnx.load_from_string(content)
    assert model.producer_name == "clawvision"
    assert {one.key for one in model.metadata_props} == {"masks", "landmarks", "views"}
    assert str(Path(export.__file__).parent.parent).encode() not in content
    assert not any(node.doc_string for node in model.graph.node)


def test_same_weights_make_the_same_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    network = lively("small")
    run = tmp_path / "run"
    save_run(run, network, network, train.make_optimiser(network, 1e-3), Progress(1, 1.0))
    for name in ("one.onnx", "two.onnx"):
        export.main([str(run), str(tmp_path / name), "--size", "small"])
    first, second = capsys.readouterr().out.split("\n")[:2]
    assert first.split()[1:] == second.split()[1:]
    content = (tmp_path / "one.onnx").read_bytes()
    assert content == (tmp_path / "two.onnx").read_bytes()
    record = json.loads((tmp_path / "one.json").read_text(encoding="utf-8"))
    assert record["sha256"] == hashlib.sha256(content).hexdigest()
    assert (record["bytes"], record["steps"]) == (len(content), 1)


def test_open_axes_are_declared_open() -> None:
    model = onnx.load_from_string(export.as_onnx(lively("small"), open_axes=True))
    axes = model.graph.input[0].type.tensor_type.shape.dim
    assert [axis.dim_value for axis in axes] == [0, 3, 0, 0]
