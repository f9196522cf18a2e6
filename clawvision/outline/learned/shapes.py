"""A model in the ONNX format that takes pictures of any size: the sizes that it was written with are left out.

OpenCV does not look at them, ONNX Runtime holds to them. A few bytes of a copy in memory are left out, so that both run
the one packaged file. The fields are those of ``onnx.proto`` in Protocol Buffers' wire format.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

_GRAPH = 7  # of a ModelProto
_PLACES = (11, 12)  # of a GraphProto: input, output
_TYPE, _TENSOR, _SHAPE = 2, 1, 2  # of a ValueInfoProto, a TypeProto, a TypeProto.Tensor
_VARINT, _FIXED64, _BYTES, _FIXED32 = 0, 1, 2, 5


def of_any_size(model: bytes) -> bytes:
    """Return a model without the sizes of its inputs and outputs.

    Raises
    ------
    ValueError
        If it is no such file.
    """

    def tensor(data: bytes) -> bytes:
        return b"".join(whole for field, whole, _ in _fields(data) if field != _SHAPE)

    def place(data: bytes) -> bytes:
        return _with(data, (_TYPE,), lambda kind: _with(kind, (_TENSOR,), tensor))

    return _with(model, (_GRAPH,), lambda graph: _with(graph, _PLACES, place))


def _with(data: bytes, which: tuple[int, ...], change: Callable[[bytes], bytes]) -> bytes:
    """Return a message with some of its fields, which are messages themselves, changed."""
    parts = []
    for field, whole, inner in _fields(data):
        if field in which and inner is not None:
            changed = change(inner)
            parts += [_varint(field << 3 | _BYTES), _varint(len(changed)), changed]
        else:
            parts.append(whole)
    return b"".join(parts)


def _fields(data: bytes) -> Iterator[tuple[int, bytes, bytes | None]]:
    """Return each field of a message: its number, all its bytes, and what is in it where that may be a message."""
    at = 0
    while at < len(data):
        start = at
        key, at = _read(data, at)
        inner = None
        if key & 7 == _VARINT:
            _, at = _read(data, at)
        elif key & 7 in (_FIXED64, _FIXED32):
            at += 8 if key & 7 == _FIXED64 else 4
        elif key & 7 == _BYTES:
            size, at = _read(data, at)
            inner = data[at : at + size]
            at += size
        else:
            raise ValueError("it is no model in the ONNX format")
        if at > len(data):
            raise ValueError("it ends too early")
        yield key >> 3, data[start:at], inner


def _read(data: bytes, at: int) -> tuple[int, int]:
    """Return the number that starts at a byte, and where it ends."""
    number = shift = 0
    while True:
        if at >= len(data) or shift > 63:
            raise ValueError("it is no model in the ONNX format")
        byte = data[at]
        number |= (byte & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if byte < 0x80:
            return number, at


def _varint(number: int) -> bytes:
    parts = bytearray()
    while number > 0x7F:
        parts.append(number & 0x7F | 0x80)
        number >>= 7
    parts.append(number)
    return bytes(parts)
