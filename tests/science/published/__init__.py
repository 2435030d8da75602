"""Published values the science is checked against, each row with its source."""

import csv
from pathlib import Path


def rows(name: str) -> list[dict[str, str]]:
    """The rows of `<name>.csv` in this folder."""
    with (Path(__file__).parent / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
