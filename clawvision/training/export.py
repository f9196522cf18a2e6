"""Write a trained network as one ONNX file of half-precision weights that OpenCV's dnn module reads.

``python -m clawvision.training.export RUN MODEL.onnx`` also writes MODEL.json, the record of what the file is.

One file serves pictures of any size that is a multiple of 32: the decoder enlarges by scale and nothing
in the graph holds a size. The input is nevertheless declared as 1 × 3 × 384 × 512: OpenCV 4 cannot read
the graph with open axes, and both OpenCV 4.13 and 5 adapt it to whatever input is set. Runtimes that
hold a file to its declared size need ``--open-axes``.

Weights are stored as float16 and cast when the file is loaded; all arithmetic stays float32. Batch
normalisation is folded into the convolutions before weights are rounded.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import tempfile
import warnings
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import helper, numpy_helper

from clawvision.outline.learned.contract import (
    LANDMARKS,
    MASKS,
    VIEWS,
)
from clawvision.training.network import (
    COARSE_SIZE,
    FINE_SIZE,
    SIZES,
    ClawNet,
    parameter_count,
)
from clawvision.training.store import load_average

OPSET = 13
INPUT = "picture"
OUTPUTS = ("masks", "landmarks", "facts")
SMALLEST_HALVED = 16
"""Constants of fewer numbers than this stay float32: they cost nothing and some are floors near zero."""


OPEN_AXES = {
    INPUT: {0: "batch", 2: "height", 3: "width"},
    "masks": {0: "batch", 2: "height_2", 3: "width_2"},
    "landmarks": {0: "batch", 2: "height_4", 3: "width_4"},
    "facts": {0: "batch"},
}


def _traced(network: ClawNet) -> onnx.ModelProto:
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the exporter's notes on its own future and on constant slices
        path = Path(folder) / "traced.onnx"
        torch.onnx.export(
            network,
            (torch.zeros(1, 3, *COARSE_SIZE),),
            path,
            dynamo=False,
            opset_version=OPSET,
            input_names=[INPUT],
            output_names=list(OUTPUTS),
            dynamic_axes=OPEN_AXES,
        )
        return onnx.load(path)


def _join_padding(graph: onnx.GraphProto) -> None:
    """Move each Pad into the convolution behind it; only the encoder's "same" padding makes any."""
    pads = {node.output[0]: node for node in graph.node if node.op_type == "Pad"}
    for node in graph.node:
        if node.op_type != "Conv" or node.input[0] not in pads:
            continue
        settings = {attribute.name: helper.get_attribute_value(attribute) for attribute in node.attribute}
        total = settings["kernel_shape"][0] - settings["strides"][0]
        before, after = total // 2, total - total // 2
        node.input[0] = pads[node.input[0]].input[0]
        for attribute in node.attribute:
            if attribute.name == "pads":
                attribute.ints[:] = [before, before, after, after]


def _drop_unused(graph: onnx.GraphProto) -> None:
    """Remove nodes and constants that no output needs."""
    needed = {output.name for output in graph.output}
    kept: list[onnx.NodeProto] = []
    for node in reversed(graph.node):
        if needed.intersection(node.output):
            needed.update(node.input)
            kept.append(node)
    del graph.node[:]
    graph.node.extend(reversed(kept))
    constants = [one for one in graph.initializer if one.name in needed]
    del graph.initializer[:]
    graph.initializer.extend(constants)


def _declare_size(graph: onnx.GraphProto, network: ClawNet) -> None:
    """State input and output shapes for one fine picture."""
    picture = torch.zeros(1, 3, *FINE_SIZE)
    with torch.no_grad():
        shapes = [picture.shape, *(part.shape for part in network(picture))]
    for value, shape in zip([*graph.input, *graph.output], shapes, strict=True):
        for axis, length in zip(value.type.tensor_type.shape.dim, shape, strict=True):
            axis.dim_value = length


def _halve(graph: onnx.GraphProto) -> None:
    """Store float32 constants as float16, each followed by a cast."""
    constants: list[onnx.TensorProto] = []
    casts: list[onnx.NodeProto] = []
    for one in graph.initializer:
        values = numpy_helper.to_array(one)
        if values.dtype == np.float32 and values.size >= SMALLEST_HALVED:
            stored = one.name + "_half"
            constants.append(numpy_helper.from_array(values.astype(np.float16), stored))
            casts.append(helper.make_node("Cast", [stored], [one.name], to=onnx.TensorProto.FLOAT))
        else:
            constants.append(one)
    nodes = [*casts, *graph.node]
    del graph.initializer[:]
    graph.initializer.extend(constants)
    del graph.node[:]
    graph.node.extend(nodes)


def as_onnx(network: ClawNet, open_axes: bool = False) -> bytes:
    """Return the network as the bytes of an ONNX file.

    Parameters
    ----------
    network
        The network with the weights to ship; it is left in evaluation mode, on the CPU.
    open_axes
        Leave batch, height and width undeclared.

    Returns
    -------
    bytes
        Same network, same bytes: nothing of the machine or the day is in the file.
    """
    network.cpu().eval()
    model = _traced(network)
    _join_padding(model.graph)
    _drop_unused(model.graph)
    if not open_axes:
        _declare_size(model.graph, network)
    _halve(model.graph)
    model.producer_name = "clawvision"
    model.producer_version = ""
    model.doc_string = ""
    for node in model.graph.node:
        node.doc_string = ""
    helper.set_model_props(
        model, {"masks": " ".join(MASKS), "landmarks": " ".join(LANDMARKS), "views": " ".join(VIEWS)}
    )
    onnx.checker.check_model(model)
    return model.SerializeToString(deterministic=True)


def main(arguments: list[str] | None = None) -> None:
    """Export the averaged weights of a run with a record beside them; print size and SHA-256 of the file."""
    parser = argparse.ArgumentParser(description="Write a trained network as one ONNX file.")
    parser.add_argument("run", type=Path, help="folder of a training run")
    parser.add_argument("model", type=Path, help="file to write")
    parser.add_argument("--size", choices=sorted(SIZES), default="full")
    parser.add_argument("--open-axes", action="store_true", help="leave batch, height and width undeclared")
    options = parser.parse_args(arguments)
    network = ClawNet(SIZES[options.size])
    progress = load_average(network, options.run)
    content = as_onnx(network, options.open_axes)
    options.model.parent.mkdir(parents=True, exist_ok=True)
    options.model.write_bytes(content)
    sha256 = hashlib.sha256(content).hexdigest()
    record = {
        "sha256": sha256,
        "bytes": len(content),
        "parameters": parameter_count(network),
        "steps": progress.step,
        "training_minutes": round(progress.seconds / 60.0, 1),
    }
    options.model.with_suffix(".json").write_text(json.dumps(record, indent=2) + "\n", encoding="utf-8")
    print(f"{options.model.name} {len(content)} bytes sha256 {sha256}")


if __name__ == "__main__":
    main()
