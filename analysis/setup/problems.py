"""What is wrong with a set-up, and the error that holds it."""

from __future__ import annotations

from typing import NamedTuple


class SetupProblem(NamedTuple):
    """One thing wrong with a set-up."""

    key: str
    given: str
    allowed: str
    nearest: str | None = None

    def __str__(self) -> str:
        hint = f"; nearest valid name: {self.nearest}" if self.nearest else ""
        return f"{self.key}: given {self.given}; allowed: {self.allowed}{hint}"


class SetupError(ValueError):
    """A set-up that cannot be used; `problems` holds every fault found."""

    def __init__(self, problems: list[SetupProblem]) -> None:
        super().__init__("\n".join(str(p) for p in problems))
        self.problems = problems
