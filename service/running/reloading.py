"""New rule sets on SIGHUP, if there is nothing wrong with them: what the master does.

A process of its own checks them (`service.running.acceptance`), while the master goes on minding
its workers. Accepted, they are published to the workers as they were checked; each takes them over
between two requests (`service.running.worker`), so that no worker ends and no connection is closed.
"""

from __future__ import annotations

import logging
import pickle  # nosec B403 # what our own process has written
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from gunicorn.arbiter import Arbiter

from service.api.installed import install, install_key, publish, settings_key
from service.diagnosis.assessment import reasoner
from service.observe import metrics
from service.problems import Problem
from service.ruleset.catalogue import Catalogue
from service.running.acceptance import Job, handed_over, hashes
from service.running.board import Published
from service.running.boots import Boots
from service.running.closing import let_no_more_in
from service.settings import Settings
from service.trials.sandbox import Apart, Limits

Outcome = Literal["installed", "unchanged", "refused"]
MOST_ERRORS = 10  # that are told of, each with so many characters at most:
MOST_CHARACTERS = 500

log = logging.getLogger("gunicorn.error")  # where the master says everything else


@dataclass(frozen=True, slots=True)
class Reloaded:
    """How a reload went. `errors` are the first of those that kept it from being done."""

    outcome: Outcome
    at: datetime
    rule_sets: Mapping[str, str]  # content hash by id, of those in use from now on
    errors: Sequence[Mapping[str, Any]] = ()
    error_count: int = 0

    def document(self) -> dict[str, Any]:
        """As it stands in /readyz."""
        return {
            "outcome": self.outcome,
            "at": self.at.isoformat(timespec="milliseconds"),
            "errors": list(self.errors),
            "error_count": self.error_count,
        }


def reloaded(result: Reloaded) -> None:
    """Say how a reload went, and count it. Runs in the master."""
    metrics.reloaded(result.outcome)
    if result.outcome == "refused":
        log.error("reload refused, the rule sets stay as they are; errors: %d", result.error_count)
        for one in result.errors:
            log.error("  %s:%s: %s [%s]", one["file"], one["line"], one["message"], one["code"])
    else:
        log.info("reload: %s; in use are %s", result.outcome, dict(result.rule_sets))


class ReloadingArbiter(Arbiter):
    """A master that checks new rule sets on SIGHUP, and lets no request be lost as it stops."""

    def prepare(self) -> None:
        """Get ready in the place of the arbiter that gunicorn has made, before it forks."""
        self._work: Apart | None = None
        self._again = False
        self._boots = Boots()
        self._published = Published()
        app = self.app.wsgi()
        publish(app, self._published)
        self._settings: Settings = app.extensions[settings_key]
        self._catalogue: Catalogue = app.extensions[install_key]
        for rule_set_id in self._catalogue.ids():
            reasoner(self._catalogue, rule_set_id)  # once, so that workers start with it

    def handle_hup(self) -> None:
        """Check the rule sets as they are now; once more, if that is being done already."""
        if self._work is None:
            self._begin()
        else:
            self._again = True

    def handle_chld(self) -> None:
        """Look at the check before gunicorn does, which takes note of every child that ended."""
        self._look()
        super().handle_chld()

    handle_cld = handle_chld

    def murder_workers(self) -> None:
        """Look after the workers, and the check; called once a second at least."""
        super().murder_workers()
        self._look()

    def spawn_workers(self) -> None:
        """Start the workers that are lacking; after some that ended at once, one now and then."""
        while len(self.WORKERS) < self.num_workers and self._boots.may_begin():
            self._boots.begun(self.spawn_worker())

    def ended(self, pid: int) -> None:
        """Take note that a worker has ended."""
        wait = self._boots.ended(pid)
        if wait:
            log.error("workers end soon after their start; the next one starts in %.0f s", wait)

    def stop(self, graceful: bool = True) -> None:
        """End the workers, once what has come to the door is let in."""
        if self._work is not None:
            self._work.close()
            self._work = None
        shared = self.systemd or self.master_pid or self.reexec_pid or self.cfg.reuse_port
        if graceful and not shared:
            let_no_more_in(self.LISTENERS)
        super().stop(graceful)

    def _begin(self) -> None:
        self._again = False
        settings = self._settings
        log.info("reload: the rule sets are being checked")
        try:
            rules = None if settings.rules is None else settings.rules.absolute()
            limits = Limits(settings.trial_seconds, settings.trial_mebibytes * 2**20)
            self._work = Apart(
                "service.running.acceptance", Job(rules, hashes(self._catalogue)), limits
            )
        except OSError as error:
            self._conclude("refused", [_not_checked(f"The check could not be started: {error}.")])

    def _look(self) -> None:
        """Conclude a check that has ended."""
        if self._work is None or not self._work.ended():
            return
        work, self._work = self._work, None
        with closing(work):
            try:
                self._take(work.answer())
            except Problem as problem:
                self._conclude("refused", [_not_checked(problem.detail)])
            except Exception as error:
                # Whatever it is, the master has workers to mind.
                log.exception("reload: the rule sets could not be taken over")
                self._conclude("refused", [_not_checked(f"Could not be taken over: {error}.")])
        if self._again:
            self._begin()

    def _take(self, answer: Mapping[str, Any]) -> None:
        """Take over what has been accepted."""
        if answer["findings"]:
            self._conclude("refused", [_told(one) for one in answer["findings"]])
            return
        pickled = handed_over(answer)
        if pickled is None:
            self._conclude("unchanged")
            return
        catalogue = pickle.loads(pickled)  # nosec B301
        self._published.rule_sets.write(pickled)
        install(self.app.wsgi(), catalogue)  # for the workers to come
        self._catalogue = catalogue
        self._conclude("installed")

    def _conclude(self, outcome: Outcome, errors: Sequence[Mapping[str, Any]] = ()) -> None:
        in_use = hashes(self._catalogue)
        now = datetime.now(UTC)
        result = Reloaded(outcome, now, in_use, tuple(errors[:MOST_ERRORS]), len(errors))
        self._published.tell(result.document())
        reloaded(result)


def _told(finding: Mapping[str, Any]) -> dict[str, Any]:
    message = " ".join(finding["message"].split())
    if len(message) > MOST_CHARACTERS:
        message = message[: MOST_CHARACTERS - 3] + "..."
    where = {name: finding[name] for name in ("file", "line")}
    return {**where, "code": finding["rule"], "message": message}


def _not_checked(why: str) -> dict[str, Any]:
    return {"file": "", "line": 0, "code": "not-checked", "message": why}
