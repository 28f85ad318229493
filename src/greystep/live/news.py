"""What was told during a shoot: what stands since the last frame came, and what came before it."""

from dataclasses import dataclass, field
from typing import Final

#: So many lines stay.
_KEPT: Final = 4


@dataclass
class News:
    """Lines, the newest first.

    Attributes:
        fresh: Told since the last frame came.
        earlier: Told before; what a person was asked to do there is done, or was told again.
    """

    fresh: list[str] = field(default_factory=list)
    earlier: list[str] = field(default_factory=list)

    def add(self, line: str) -> None:
        """Tell a line."""
        self.fresh = [line, *self.fresh][:_KEPT]
        self.earlier = self.earlier[: _KEPT - len(self.fresh)]

    def age(self) -> None:
        """Take all that was told for told before."""
        self.fresh, self.earlier = [], [*self.fresh, *self.earlier]

    def forget(self, line: str) -> None:
        """Take back what is no longer so."""
        self.fresh, self.earlier = ([one for one in lines if one != line] for lines in (self.fresh, self.earlier))
