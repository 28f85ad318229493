import pytest

from greystep.compare import differences


@pytest.fixture
def spans_unasked(monkeypatch: pytest.MonkeyPatch) -> None:
    """For tests that look at no span: the draws for half-widths of spans take a fifth of what an analysis takes."""
    monkeypatch.setattr(differences, "DRAWS", 20)
