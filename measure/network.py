"""The arbiter's network, worked out by matrix products.

OpenCV takes a third to half as long again for the same file, and memory anew for every number of crops. What the layers
are stands here once more; the weights come from the file that training writes, and a test holds the two to each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from ..calibration.side_by_side import side_by_side

__all__ = ["Network", "read_weights"]

Floats = NDArray[np.float32]

# What two crops need stays in the processor's cache. And as the matrices are always of one size, what is said of a crop depends
# neither on how many others are looked at nor on how many threads the matrix library takes.
_CROPS_AT_ONCE = 2


class Network:
    """Two looks at one crop: the picture itself, wherever things lie in it, and its spectrum, place by place.

    Parameters
    ----------
    file : Path
        ONNX file written by ``tests/arbiter/train.py``, batch norms folded into the convolutions.
    """

    def __init__(self, file: Path) -> None:
        weights = read_weights(file)
        self._kernels = {
            name[:-2]: np.ascontiguousarray(kernel.transpose(2, 3, 1, 0))
            for name, kernel in weights.items()
            if kernel.ndim == 4
        }
        self._biases = {name[:-2]: bias for name, bias in weights.items() if bias.ndim == 1}
        self._matrices = {name[:-2]: matrix.T for name, matrix in weights.items() if matrix.ndim == 2}
        # Training flattens channel by channel, here a channel is the last axis.
        deep = self._biases["waves9"].size
        heard = self._matrices["waves_out"]
        places = heard.reshape(deep, -1, heard.shape[1]).swapaxes(0, 1)
        self._matrices["waves_out"] = places.reshape(heard.shape)

    def logits(self, crops: Floats, spectra: Floats) -> Floats:
        """Return what the network says of each crop.

        Parameters
        ----------
        crops : ndarray of float32, shape (K, 2, 96, 96)
        spectra : ndarray of float32, shape (K, 1, 96, 48)

        Returns
        -------
        ndarray of float32, shape (K, 27)
        """
        numbers = np.arange(-(-len(crops) // _CROPS_AT_ONCE) * _CROPS_AT_ONCE)
        parts = np.minimum(numbers, len(crops) - 1).reshape(-1, _CROPS_AT_ONCE)
        said = side_by_side(lambda part: self._some(crops[part], spectra[part]), parts)
        return np.concatenate(said)[: len(crops)]

    def _some(self, crops: Floats, spectra: Floats) -> Floats:
        seen = self._convolved(np.moveaxis(crops, 1, -1), "image0", step=2, halved=True)
        seen = self._convolved(seen, "image4")
        seen = self._convolved(seen, "image7", halved=True)
        seen = self._convolved(seen, "image11")
        seen = self._convolved(seen, "image14").mean(axis=(1, 2))
        heard = self._convolved(np.moveaxis(spectra, 1, -1), "waves0", step=2)
        heard = self._convolved(heard, "waves3", step=2)
        heard = self._convolved(heard, "waves6", step=2)
        heard = self._convolved(heard, "waves9").reshape(len(heard), -1)
        heard = _rectified(heard @ self._matrices["waves_out"], self._biases["waves_out"])
        both = np.concatenate([seen, heard], axis=1)
        mixed = _rectified(both @ self._matrices["mix"], self._biases["mix"])
        return np.asarray(mixed @ self._matrices["logits"] + self._biases["logits"])

    def _convolved(self, pictures: Floats, layer: str, *, step: int = 1, halved: bool = False) -> Floats:
        """Convolve, halve where asked for and rectify; the channels of a picture are its last axis."""
        kernel = self._kernels[layer]
        patches = _patches(pictures, kernel.shape[0], step)
        found = (patches.reshape(-1, kernel[..., 0].size) @ kernel.reshape(-1, kernel.shape[-1])).reshape(
            *patches.shape[:3], -1
        )
        return _rectified(_halved(found) if halved else found, self._biases[layer])


def _patches(pictures: Floats, side: int, step: int) -> Floats:
    """View the surroundings of every `step`-th pixel, `side` pixels wide; beyond the picture lies 0."""
    count, rows, columns, deep = pictures.shape
    rim = side // 2
    padded = np.zeros((count, rows + 2 * rim, columns + 2 * rim, deep), np.float32)
    padded[:, rim : rim + rows, rim : rim + columns] = pictures
    picture, row, pixel, channel = padded.strides
    shape = (count, -(-rows // step), -(-columns // step), side, side * deep)
    return as_strided(padded, shape, (picture, step * row, step * pixel, row, channel), writeable=False)


def _halved(pictures: Floats) -> Floats:
    """Take the largest of every two by two pixels."""
    lines = np.maximum(pictures[:, ::2], pictures[:, 1::2])
    return np.maximum(lines[:, :, ::2], lines[:, :, 1::2])


def _rectified(values: Floats, bias: Floats) -> Floats:
    values += bias
    return np.maximum(values, np.float32(0), out=values)


def read_weights(file: Path) -> dict[str, Floats]:
    """Read the weights of an ONNX file by name: numbers only, not what is done with them.

    The file is in the wire format of Protocol Buffers; the fields are those of ``onnx.proto`` (Open Neural Network Exchange):
    the graph is field 7 of the model, a tensor 5 of the graph, and its shape, name and raw data 1, 8 and 9.
    """
    weights = {}
    for graph in _fields(file.read_bytes(), 7):
        for tensor in _fields(graph, 5):
            shape = [int(side) for side in _fields(tensor, 1)]
            (name,), (raw,) = _fields(tensor, 8), _fields(tensor, 9)
            weights[bytes(name).decode()] = np.frombuffer(raw, "<f4").reshape(shape)
    return weights


def _fields(message: bytes, wanted: int) -> Iterator[Any]:
    """Every value of one field of a message, in order: whole numbers, or bytes of what has a length."""
    at = 0
    while at < len(message):
        key, at = _whole_number(message, at)
        kind = key & 7
        value: int | bytes
        if kind == 0:
            value, at = _whole_number(message, at)
        else:
            size, at = (4, at) if kind == 5 else (8, at) if kind == 1 else _whole_number(message, at)
            value, at = message[at : at + size], at + size
        if key >> 3 == wanted:
            yield value


def _whole_number(message: bytes, at: int) -> tuple[int, int]:
    """Read a number of seven bits a byte, lowest first, and tell where the next thing begins."""
    number = shift = 0
    while True:
        byte = message[at]
        number |= (byte & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if byte < 0x80:
            return number, at
