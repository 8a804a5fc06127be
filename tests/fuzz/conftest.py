"""Nothing here may be logged as an exception, by ourselves or by a library."""

import logging
import traceback
from collections.abc import Iterator

import pytest
import structlog


@pytest.fixture(autouse=True)
def nothing_logged_as_exception() -> Iterator[None]:
    """Fails a test in which a record carries a traceback, or asyncio complains."""
    found: list[str] = []

    class Watching(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.exc_info or record.name == "asyncio":
                found.append(record.getMessage())

    def watch(_: object, __: str, entry: structlog.typing.EventDict) -> structlog.typing.EventDict:
        if entry.get("exc_info"):
            found.append(f"{entry}: {traceback.format_exc()}")
        raise structlog.DropEvent

    watching = Watching()
    logging.getLogger().addHandler(watching)
    before = structlog.get_config()
    structlog.configure(processors=[watch], cache_logger_on_first_use=False)
    yield
    structlog.configure(**before)
    logging.getLogger().removeHandler(watching)
    assert not found, found
