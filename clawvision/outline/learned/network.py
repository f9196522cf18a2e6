"""The network file that comes with the package, run by OpenCV, or by ONNX Runtime where that is asked for."""

from __future__ import annotations

import hashlib
import json
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any, Protocol

import cv2
import numpy as np

from clawvision.outline.engine import engine_told
from clawvision.outline.learned.contract import (
    COARSE_SIZE,
    FACT_COUNT,
    FILL,
    FINE_SIZE,
    LANDMARK_STEP,
    LANDMARKS,
    MASK_STEP,
    MASKS,
    Float32Array,
    Outputs,
)
from clawvision.outline.learned.crop import Crop
from clawvision.outline.learned.shapes import of_any_size
from clawvision.types import Engine

MODEL = "claw_outline.onnx"
RECORD = "claw_outline.json"
"""What is recorded of the model beside it; ``sha256`` is the model file's."""
_OUTPUTS = ("masks", "landmarks", "facts")


class Network(Protocol):
    """Says what a picture shows."""

    def run(self, crop: Crop) -> Outputs:
        """Return what the network says of a coarse or a fine picture. May be called from several threads."""
        ...


class ModelError(Exception):
    """The model file is missing, is not the recorded one, or cannot be run."""


class OnnxNetwork:
    """A network in the ONNX format, run by OpenCV on the CPU in one thread."""

    def __init__(self, model: bytes) -> None:
        """Read a model.

        Parameters
        ----------
        model
            The file's content.

        Raises
        ------
        ModelError
            If OpenCV cannot read or run it, or its outputs have other shapes than agreed.
        """
        buffer = np.frombuffer(model, dtype=np.uint8)
        try:
            # One for each size of picture: changing the size would lay out its memory anew each time.
            self._nets = {size: cv2.dnn.readNetFromONNX(buffer) for size in (COARSE_SIZE, FINE_SIZE)}
        except cv2.error as error:
            raise ModelError(f"OpenCV cannot read it: {error.err}") from error
        self._lock = threading.Lock()

    def run(self, crop: Crop) -> Outputs:
        """See `Network.run`.

        Raises
        ------
        ModelError
            If the model cannot be run or returns other shapes than agreed.
        """
        blob = _blob(crop)
        try:
            with self._lock, _one_thread():
                net = self._nets[crop.size]
                net.setInput(blob)
                masks, landmarks, facts = (np.array(part, dtype=np.float32) for part in net.forward(list(_OUTPUTS)))
        except cv2.error as error:
            raise ModelError(f"OpenCV cannot run it: {error.err}") from error
        return _outputs(crop, masks, landmarks, facts)


class RuntimeNetwork:
    """The same network, run by ONNX Runtime on the CPU in one thread: in half the time, rounded otherwise."""

    def __init__(self, model: bytes) -> None:
        """Read a model.

        Parameters
        ----------
        model
            The file's content.

        Raises
        ------
        MissingExtraError
            If ONNX Runtime is not installed.
        ModelError
            If it cannot read the model.
        """
        engine_told("onnxruntime")
        runtime = _silent_runtime()
        options = runtime.SessionOptions()
        options.intra_op_num_threads = options.inter_op_num_threads = 1
        options.use_deterministic_compute = True
        options.log_severity_level = 4  # what goes wrong is raised; its own log is for its makers
        try:
            self._session = runtime.InferenceSession(of_any_size(model), options, providers=["CPUExecutionProvider"])
            (self._input,) = (each.name for each in self._session.get_inputs())
        except Exception as error:  # of many classes, the one they share is Exception
            raise ModelError(f"ONNX Runtime cannot read it: {error}") from error

    def run(self, crop: Crop) -> Outputs:
        """See `Network.run`.

        Raises
        ------
        ModelError
            If the model cannot be run or returns other shapes than agreed.
        """
        try:
            masks, landmarks, facts = self._session.run(list(_OUTPUTS), {self._input: _blob(crop)})
        except Exception as error:
            raise ModelError(f"ONNX Runtime cannot run it: {error}") from error
        return _outputs(crop, masks, landmarks, facts)


def _silent_runtime() -> Any:
    """Return the package onnxruntime, kept from telling its makers of its use.

    Its builds send that over the network (1.32 on Linux too). Only this variable stops all of it, and only before the
    package is loaded; the call stops what it can where somebody else loaded it before.
    """
    os.environ["ORT_DISABLE_TELEMETRY"] = "1"
    import onnxruntime

    onnxruntime.disable_telemetry_events()
    return onnxruntime


def _blob(crop: Crop) -> Float32Array:
    return np.ascontiguousarray(crop.picture.transpose(2, 0, 1)[None], dtype=np.float32)


def _outputs(crop: Crop, masks: Float32Array, landmarks: Float32Array, facts: Float32Array) -> Outputs:
    width, height = crop.size
    shapes = (
        (1, len(MASKS), height // MASK_STEP, width // MASK_STEP),
        (1, len(LANDMARKS), height // LANDMARK_STEP, width // LANDMARK_STEP),
        (1, FACT_COUNT),
    )
    if (masks.shape, landmarks.shape, facts.shape) != shapes:
        raise ModelError(f"its outputs have the shapes {masks.shape}, {landmarks.shape}, {facts.shape}")
    return Outputs(masks[0], landmarks[0], facts[0])


@contextmanager
def _one_thread() -> Iterator[None]:
    """Let OpenCV work in one thread: sums are split among several, and round otherwise with each number of them.

    The facts then differ in their last digits, and measures by up to some hundredths of a millimetre.
    """
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(threads)


def load_network(folder: Traversable, engine: Engine = "opencv") -> Network:
    """Read the model of a folder and make sure that it is the recorded one and runs at both sizes of picture.

    Raises
    ------
    MissingExtraError
        If the engine is not installed.
    ModelError
        If it is missing, is another file than the recorded one, or does not run.
    """
    try:
        model = folder.joinpath(MODEL).read_bytes()
        recorded = json.loads(folder.joinpath(RECORD).read_text("utf-8"))["sha256"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ModelError(f"the model or its record cannot be read ({type(error).__name__})") from error
    if hashlib.sha256(model).hexdigest() != recorded:
        raise ModelError("the model file is not the recorded one")
    network: Network = OnnxNetwork(model) if engine == "opencv" else RuntimeNetwork(model)
    for width, height in (COARSE_SIZE, FINE_SIZE):
        said = network.run(Crop(np.full((height, width, 3), FILL, np.uint8), np.eye(2, 3)))
        if not all(np.isfinite(part).all() for part in (said.masks, said.landmarks, said.facts)):
            raise ModelError("it does not answer with finite numbers")
    return network


def packaged_network(engine: Engine = "opencv") -> Network | None:
    """Return the network that comes with the package, read once in each process; None where there is none that runs.

    Raises
    ------
    MissingExtraError
        If the engine is not installed.
    """
    return _packaged(engine)  # where the default is left out as well as where it is named: one key, one network


@lru_cache(maxsize=2)
def _packaged(engine: Engine) -> Network | None:
    try:
        return load_network(files("clawvision.outline").joinpath("model"), engine)
    except ModelError:
        return None
