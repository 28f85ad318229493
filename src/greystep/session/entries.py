"""What the cache keeps of a frame, as JSON and back."""

from collections.abc import Callable
from dataclasses import fields, is_dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from cattrs import Converter
from cattrs.gen import make_dict_structure_fn

from greystep.documents import plain

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

T = TypeVar("T")


def as_json(content: "DataclassInstance") -> dict[str, Any]:
    """Return a reading, or what holds one, as JSON can keep it: arrays as lists, null for what is no number."""
    values = {field.name: getattr(content, field.name) for field in fields(content)}
    return {
        name: as_json(value) if is_dataclass(value) and not isinstance(value, type) else plain(value)
        for name, value in values.items()
    }


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
            if lost := names - set(stored):
                raise KeyError(*lost)
            return structure(stored, kind)

        return structured

    converter.register_structure_hook_factory(is_dataclass, whole)
    converter.register_structure_hook(float, lambda value, _: np.nan if value is None else float(value))
    converter.register_structure_hook_func(
        lambda of: getattr(of, "__origin__", None) is np.ndarray, lambda value, _: np.array(value, dtype=np.float64)
    )
    return converter
