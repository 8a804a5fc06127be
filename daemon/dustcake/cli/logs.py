"""Logging to stderr: in words for people and journald, or as JSON for programs."""

import logging
import sys

import structlog
from structlog.typing import Processor


def log_to_stderr(form: str, level: str) -> None:
    """``form`` is `text` or `json`; ``level`` a name of the standard library's levels."""
    stamped: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    last: Processor
    if form == "json":
        stamped.append(structlog.processors.format_exc_info)
        last = structlog.processors.JSONRenderer(ensure_ascii=False)
    else:
        last = structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty())
    structlog.configure(
        processors=[*stamped, last],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.WriteLoggerFactory(sys.stderr),
        cache_logger_on_first_use=True,
    )
    # Libraries that use the standard library's logging are heard only when they warn.
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(name)s: %(message)s")
