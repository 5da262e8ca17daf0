"""A square matrix as a picture: dark where two taxa are hard to part, light where they are easy."""

from __future__ import annotations

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

CELL = 7  # pixels a cell
EASY = 6.0  # expected log-odds from which a pair is drawn white
DARK, LIGHT = np.array([0, 68, 107]), np.array([255, 255, 255])  # a blue that carries 5:1 on white


def matrix_png(odds: NDArray[np.float64]) -> bytes:
    """A PNG of a (T, T) matrix of expected log-odds. Colour runs evenly from dark (0) to white (`EASY` and up)."""
    share = np.clip(odds / EASY, 0, 1)[:, :, None]  # (T, T, 1)
    pixels = (DARK + share * (LIGHT - DARK)).astype(np.uint8)  # (T, T, 3)
    np.einsum("iic->ic", pixels)[:] = 230  # a taxon with itself
    large = pixels.repeat(CELL, axis=0).repeat(CELL, axis=1)
    return _png(large)


def _png(pixels: NDArray[np.uint8]) -> bytes:
    """An RGB picture, shape (height, width, 3), by the PNG specification (ISO/IEC 15948)."""
    height, width, _ = pixels.shape
    rows = b"".join(b"\0" + pixels[row].tobytes() for row in range(height))
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", header) + _chunk(b"IDAT", zlib.compress(rows, 9)) + _chunk(b"IEND", b"")
    )


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
