"""Which tests run in which tier, with how many examples, and how long one may take.

The tiers are those of ``run.sh``; what each is for stands in ``README.md``.
"""

from pathlib import Path

import pytest
from hypothesis import is_hypothesis_test, settings

from examples import register_profiles

pytest_plugins = ["system_support.fixtures"]

TIERS = ("quick", "push", "ci", "night")
PROFILES = {"quick": "quick", "push": "full", "ci": "full", "night": "night"}
HERE = Path(__file__).parent

ROOMS = {
    "quick": "core publish settings plant runtime history commission/test_record.py test_codec.py",
    "ci": "system recovery panel install fit closed_loop fuzz processes faults diagnosis bench",
}
"""The lowest tier that runs a room, or one file of it; any other belongs to ``push``. Single tests
say otherwise with a marker: ``story`` runs before every push already, ``night`` not before the
night."""

_TIER_OF = {HERE / room: tier for tier, rooms in ROOMS.items() for room in rooms.split()}

LONG = ("tests/processes/test_kills.py", "tests/commission/test_procedure.py")
"""Minutes long, most of them waiting: begun first, so that a run in parallel does not end with one
of them alone."""

EXAMPLES_S = 300.0
"""For all examples of a test, on a machine that others use as well."""

register_profiles()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--tier", choices=TIERS, default="ci", help="how much to run (README.md)")


def pytest_configure(config: pytest.Config) -> None:
    if not config.getoption("--hypothesis-profile"):
        settings.load_profile(PROFILES[config.getoption("--tier")])


def pytest_report_header(config: pytest.Config) -> str:
    above = TIERS[TIERS.index(config.getoption("--tier")) + 1 :]
    left = f"; left out is what belongs to: {', '.join(above)}" if above else ""
    profile = settings.get_current_profile_name()
    return f"tier: {config.getoption('--tier')}, examples: {profile}{left}"


def tier_of(path: Path) -> str:
    """The lowest tier that runs the tests of this file."""
    tiers = (_TIER_OF[place] for place in (path, *path.parents) if place in _TIER_OF)
    return next(tiers, "push")


def is_above(tier: str, config: pytest.Config) -> bool:
    return TIERS.index(tier) > TIERS.index(config.getoption("--tier"))


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """A file without anything for this tier is not even imported."""
    if not collection_path.match("test_*.py") or not is_above(tier_of(collection_path), config):
        return None
    return True if "mark.story" not in collection_path.read_text(encoding="utf-8") else None


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    patient = 10 if settings.get_current_profile_name() in ("night", "shrink") else 1
    kept: list[pytest.Item] = []
    left_out: list[pytest.Item] = []
    for item in items:
        limit_time(item, patient)
        marks = {mark.name for mark in item.iter_markers()}
        tier = "night" if "night" in marks else "push" if "story" in marks else tier_of(item.path)
        (left_out if is_above(tier, config) else kept).append(item)
    config.hook.pytest_deselected(items=left_out)
    items[:] = sorted(kept, key=lambda item: not item.nodeid.startswith(LONG))


def limit_time(item: pytest.Item, patient: int) -> None:
    """A test that may take longer than most says so, and why; one with examples has many."""
    mark = item.get_closest_marker("patience")
    limit_s = float(item.config.getini("timeout"))
    assert isinstance(item, pytest.Function)
    explores = "explore" in item.function.__code__.co_names
    if explores:
        item.add_marker(pytest.mark.explores)
    if explores or is_hypothesis_test(item.obj):
        limit_s = EXAMPLES_S
    if mark is not None:
        limit_s, why = mark.args
        assert why, f"{item.nodeid}: why does it take so long?"
    item.add_marker(pytest.mark.timeout(patient * limit_s))
