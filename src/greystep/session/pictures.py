"""Small pictures of frames for the pages, made once and kept beside the readings as they will be shown."""

import hashlib
import io
import os
import struct
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import accumulate, pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from greystep.doors import read_file
from greystep.errors import FrameError, GreystepError
from greystep.files import write_bytes
from greystep.raw.preview import look_of
from greystep.session.cache_folder import delete, is_picture, names_in
from greystep.session.workers import Crew

#: How far a picture is thinned for pages of few, of more, and of many frames.
_STRIDES: Final = (1, 2, 3)
_QUALITY: Final = 82
#: Sides of a picture, and the sizes of its files.
_HEAD: Final = struct.Struct(f"<{2 + len(_STRIDES)}I")
#: Bytes of a checksum behind a picture.
_CHECKSUM_BYTES: Final = 32


@dataclass(frozen=True)
class Picture:
    """A small picture of a frame.

    Attributes:
        height, width: Of the picture whole [px].
        jpegs: The picture as JPEG files: whole, and every second and third pixel of it.
    """

    height: int
    width: int
    jpegs: tuple[bytes, ...]

    def jpeg(self, longest: int) -> bytes:
        """Return it as a JPEG file with at most so many pixels a side, or as small as it is kept."""
        thinned = -(-max(self.height, self.width) // longest)
        return self.jpegs[min(max(thinned, 1), len(self.jpegs)) - 1]


def as_jpegs(pixels: NDArray[np.uint8]) -> Picture:
    """Return a picture of its pixels, sRGB codes (h, w, 3)."""
    from PIL import Image

    jpegs = []
    for stride in _STRIDES:
        stream = io.BytesIO()
        Image.fromarray(pixels[::stride, ::stride]).save(stream, format="jpeg", quality=_QUALITY)
        jpegs.append(stream.getvalue())
    return Picture(pixels.shape[0], pixels.shape[1], tuple(jpegs))


def pictures_of(
    folder: Path,
    draw: Mapping[str, Callable[[NDArray[Any]], NDArray[np.uint8]]],
    cache: Path | None,
    prints: Mapping[str, str],
    look: Mapping[str, str],
    crew: Crew,
) -> Mapping[str, Picture]:
    """Return small pictures of frames, kept between runs; a frame that cannot be decoded has none.

    The camera's own picture serves where the file holds one: it takes a hundredth of the time. What is kept is read
    when it is asked for: the pictures of a long session are more than a laptop should hold at once.

    Args:
        folder: Of the frames.
        draw: By file name: turns a linear overview (h, w, 3), 1 at the white level, into the picture (h, w, 3).
        cache: Where pictures are kept.
        prints: Fingerprint by file name.
        look: By file name: text that changes when the picture is to be drawn otherwise.
        crew: Those who decode.
    """
    marks = {name: f"{prints[name]}.{hashlib.sha256(look[name].encode()).hexdigest()[:16]}.jpegs" for name in draw}
    held: dict[str, Picture] = {}
    there = names_in(cache)
    todo = [name for name, mark in marks.items() if mark not in there]
    results = crew.each(look_of, [(folder / name,) for name in todo])
    for name, linear in zip(todo, results, strict=True):
        if isinstance(linear, FrameError):
            del marks[name]
        elif not _keep(cache, marks[name], picture := as_jpegs(draw[name](linear))):
            held[name] = picture
    wanted = set(marks.values())
    delete(cache, lambda name: is_picture(name) and name not in wanted)
    return _Pictures(cache, marks, held)


class _Pictures(Mapping[str, Picture]):
    """Small pictures by frame: those that are kept, read when they are asked for, and those that could not be kept."""

    def __init__(self, cache: Path | None, marks: Mapping[str, str], held: Mapping[str, Picture]) -> None:
        self._cache, self._marks, self._held = cache, marks, held

    def __getitem__(self, name: str) -> Picture:
        picture = self._held[name] if name in self._held else _load(self._cache, self._marks[name])
        if picture is None:  # it has gone since, or was changed; the next run draws it anew
            delete(self._cache, lambda kept: kept == self._marks[name])
            raise KeyError(name)
        return picture

    def __iter__(self) -> Iterator[str]:
        return iter(self._marks)

    def __len__(self) -> int:
        return len(self._marks)


def _load(cache: Path | None, mark: str) -> Picture | None:
    if cache is None:
        return None
    try:
        data = read_file(os.path.join(cache, mark), timed=False)
        content = data[:-_CHECKSUM_BYTES]
        if hashlib.sha256(content).digest() != data[-_CHECKSUM_BYTES:]:
            return None
        height, width, *sizes = _HEAD.unpack_from(content)
        ends = accumulate(sizes, initial=_HEAD.size)
        return Picture(height, width, tuple(content[a:b] for a, b in pairwise(ends)))
    except (GreystepError, struct.error):
        return None


def _keep(cache: Path | None, mark: str, picture: Picture) -> bool:
    """Keep a picture beside the reading of its file: where that is not kept, the file is to be copied again.

    Its sides and the sizes of its files, these, and a checksum of all.
    """
    if cache is not None and (cache / f"{mark.split('.')[0]}.json").is_file():
        head = _HEAD.pack(picture.height, picture.width, *map(len, picture.jpegs))
        content = head + b"".join(picture.jpegs)
        try:
            write_bytes(cache / mark, content + hashlib.sha256(content).digest(), durable=False)
        except GreystepError:
            return False
        return True
    return False
