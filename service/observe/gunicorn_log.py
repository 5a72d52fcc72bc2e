"""Gunicorn's own log, in the form of the service's."""

from __future__ import annotations

import logging
from typing import Any

from gunicorn.glogging import Logger

from service.observe import decision_log, logs
from service.settings import Settings


class GunicornLog(Logger):
    """Has what gunicorn says of itself written as everything else is.

    Its access log is left out: the service's own (`service.api.observing`) says more.
    """

    def setup(self, cfg: Any) -> None:
        """Take over the settings, at the start and whenever gunicorn reads them anew."""
        super().setup(cfg)
        form = Settings.from_environment().log
        if cfg.errorlog != "-":
            for handler in self.error_log.handlers:
                handler.setFormatter(logs.formatter(form or "json"))
            return
        if not any(isinstance(one, logs.StandardError) for one in logging.root.handlers):
            logs.configure(form)  # gunicorn was started by hand
        self.error_log.handlers.clear()
        self.error_log.propagate = True

    def reopen_files(self) -> None:
        """After a rotation (SIGUSR1), in the master and in each worker."""
        super().reopen_files()
        decision_log.reopen()
