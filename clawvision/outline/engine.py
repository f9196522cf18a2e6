"""What runs the network that outlines claws: OpenCV, or ONNX Runtime where it is asked for."""

from __future__ import annotations

from importlib import metadata

from clawvision.errors import MissingExtraError
from clawvision.types import Engine

_PACKAGES: dict[Engine, str] = {"opencv": "opencv-python-headless", "onnxruntime": "onnxruntime"}


def engine_told(engine: Engine) -> str:
    """Return an engine with its version, as the record tells it. Loads nothing.

    Raises
    ------
    MissingExtraError
        If its package is not installed.
    """
    try:
        return f"{engine} {metadata.version(_PACKAGES[engine])}"
    except metadata.PackageNotFoundError:
        if engine == "opencv":  # under another of its names, or the program would not run
            return engine
        raise MissingExtraError(
            "The package that runs the network with --engine onnxruntime is missing.",
            "Install it with: pip install 'clawvision[fast]', or leave the option out.",
        ) from None
