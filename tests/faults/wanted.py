"""The cells of the table that a campaign of the size of CI's must reach."""

from faults.reached import Cell, alarm_cells, await_cells


def wanted_cells() -> set[Cell]:
    """All of them."""
    return alarm_cells() | await_cells()
