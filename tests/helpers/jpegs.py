"""What a JPEG file shows."""

import io

import numpy as np
from PIL import Image


def pixels_of(jpeg: bytes) -> np.ndarray:
    """Return the pixels of a JPEG file, uint8 (h, w, 3)."""
    return np.asarray(Image.open(io.BytesIO(jpeg), formats=["JPEG"]))
