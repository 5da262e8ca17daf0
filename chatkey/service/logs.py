"""The log: one JSON object a line, with numbers of rows and counts, never a text, a number or an address."""

from __future__ import annotations

import logging
import sys
from collections.abc import Mapping, MutableMapping
from typing import Any, TextIO

import structlog

QUIET = ("httpx", "httpcore", "uvicorn", "uvicorn.error", "uvicorn.access", "alembic", "asyncio", "sqlalchemy")


def begin_log(target: TextIO = sys.stdout, level: int = logging.INFO) -> None:
    """Sets the log up. Libraries that would write addresses are silenced."""
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            _without_faults_of_others,
            structlog.processors.JSONRenderer(),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.PrintLoggerFactory(target),
        cache_logger_on_first_use=False,
    )
    for name in QUIET:
        logging.getLogger(name).setLevel(logging.CRITICAL)


def _without_faults_of_others(_logger: object, _method: str, event: MutableMapping[str, Any]) -> Mapping[str, Any]:
    """An exception is logged by its kind and where it came from; its message may hold what a finder wrote."""
    error = event.pop("error", None)
    if isinstance(error, BaseException):
        trace, last = error.__traceback__, None
        while trace is not None:
            last, trace = trace, trace.tb_next
        where = f"{last.tb_frame.f_code.co_filename.rsplit('/', 1)[-1]}:{last.tb_lineno}" if last else ""
        event.update(error=type(error).__name__, where=where)
    return event
