"""What the cache keeps of a frame, as JSON and back."""

from collections.abc import Callable
from dataclasses import fields, is_dataclass
from functools import cache
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Any, Final, TypeVar, get_args

import numpy as np
from cattrs import Converter
from cattrs.gen import make_dict_structure_fn
from numpy.typing import NDArray

from greystep.documents import plain

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

T = TypeVar("T")

#: Arrays of so many numbers stay readable.
_SHORT: Final = 16
#: Maps hold four places: as whole ten-thousandths they take a quarter of the room, and of the time to read.
_PLACE: Final = 1e4
_WHOLE: Final = ("<i2", "<i4")
_EXACT: Final = "<f8"


def as_json(content: "DataclassInstance") -> dict[str, Any]:
    """Return a reading, or what holds one, as JSON can keep it: null for what is no number, large arrays as bytes."""
    return {field.name: _kept(getattr(content, field.name)) for field in fields(content)}


def _kept(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return as_json(value)
    if isinstance(value, np.ndarray) and value.size > _SHORT:  # as numbers it takes ten times as long to read
        exact = value.tobytes()
        for form in (*_WHOLE, _EXACT):
            data = _packed(value, form)
            if _opened(data, form).tobytes() == exact:
                break
        return [value.shape, form, data.hex()]
    return plain(value)


def from_json(stored: object, kind: type[T]) -> T:
    """Rebuild what `as_json` was given.

    Raises:
        KeyError, TypeError, ValueError, AttributeError: If `stored` is something else, such as an entry of another
            version.
    """
    return _converter().structure(stored, kind)


@cache
def _converter() -> Converter:
    converter = Converter(detailed_validation=False)

    def whole(kind: Any) -> Callable[[Any, Any], Any]:
        """Ask for every field, those with a default too: an entry of another version lacks some."""
        structure = make_dict_structure_fn(kind, converter)
        names = {field.name for field in fields(kind)}

        def structured(stored: Any, _: Any) -> Any:
            if not names <= stored.keys():
                raise KeyError(*(names - stored.keys()))
            return structure(stored, kind)

        return structured

    converter.register_structure_hook_factory(is_dataclass, whole)

    def known_or_none(kind: Any) -> Callable[[Any, Any], Any]:
        """Look up once how to rebuild what may be None: a session has thousands of entries, each with twenty such."""
        (inner,) = set(get_args(kind)) - {NoneType}
        structure = converter.get_structure_hook(inner)
        return lambda stored, _: None if stored is None else structure(stored, inner)

    converter.register_structure_hook_factory(_may_be_none, known_or_none)
    converter.register_structure_hook(float, lambda value, _: np.nan if value is None else float(value))
    converter.register_structure_hook_func(
        lambda of: getattr(of, "__origin__", None) is np.ndarray, lambda value, _: _array(value)
    )
    return converter


def _may_be_none(kind: Any) -> bool:
    return isinstance(kind, UnionType) and len(get_args(kind)) == 2 and NoneType in get_args(kind)


def _array(value: Any) -> NDArray[np.float64]:
    """Return an array from its shape, form and bytes, or from its numbers."""
    if len(value) == 3 and isinstance(value[2], str):
        shape, form, digits = value  # base64 would be shorter, and take three times as long
        return _opened(bytes.fromhex(digits), form).reshape(shape)
    return np.array(value, dtype=np.float64)


def _packed(value: NDArray[Any], form: str) -> bytes:
    """Return the bytes of an array: its numbers, or what they are in whole ten-thousandths."""
    if form == _EXACT:
        return value.astype(form).tobytes()
    with np.errstate(invalid="ignore"):  # what is no number, or too large for the form, comes back as another one
        return np.rint(value * _PLACE).astype(form).tobytes()


def _opened(data: bytes, form: str) -> NDArray[np.float64]:
    """Return the numbers of `_packed`, in a row."""
    numbers = np.frombuffer(data, form)
    return numbers.astype(np.float64) if form == _EXACT else numbers / _PLACE
