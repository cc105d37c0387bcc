"""How this program writes its log: one line each on the error stream, with time, level and values, whoever wrote it.

Owns the settings of both structlog and the standard library's logging, which the libraries use; set once a process.
"""

from __future__ import annotations

import logging
import sys

import structlog


class _Structured(logging.Handler):
    """Passes on what libraries log, so that it looks like the rest."""

    def emit(self, record: logging.LogRecord) -> None:
        log = structlog.get_logger(record.name)
        log.log(record.levelno, record.getMessage(), logger=record.name, exc_info=record.exc_info)


def _to_the_error_stream(*_: object) -> structlog.PrintLogger:
    return structlog.PrintLogger(sys.stderr)


def quiet() -> None:
    """Libraries from warnings on; tracebacks without the values of variables: what is in the ledger stays out of the logs."""
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.StackInfoRenderer(),
            structlog.processors.TimeStamper(fmt="iso"),
            structlog.dev.ConsoleRenderer(colors=False, exception_formatter=structlog.dev.plain_traceback),
        ],
        logger_factory=_to_the_error_stream,
    )
    logging.basicConfig(handlers=[_Structured()], level=logging.WARNING)
