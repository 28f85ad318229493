"""How many cores there are, on any system."""

import os
import sys

import pytest

from greystep.session.workers import Crew, cores


def test_the_cores_that_this_process_may_use(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 3, 5}, raising=False)
    monkeypatch.setattr(os, "cpu_count", lambda: 8)
    assert cores() == 3
    assert Crew()._jobs == 3
    assert Crew(2)._jobs == 2
    monkeypatch.setattr(sys, "platform", "darwin")
    assert cores() == 8
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert cores() == 1
