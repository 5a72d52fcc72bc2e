"""The Flask application."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import Flask

from service.api.assessments import assessments
from service.api.batch import batches
from service.api.body import limit_bodies
from service.api.calculations import calculations
from service.api.docs import docs
from service.api.errors import handle_exception, handle_problem
from service.api.graph import graphs
from service.api.guarding import set_guard
from service.api.health import health
from service.api.installed import install, settings_key
from service.api.metrics import scraped
from service.api.observing import observe
from service.api.openapi import create_api
from service.api.rule_sets import RuleSetId, rule_sets
from service.api.trials import limit_trials, trials
from service.problems import Problem
from service.ruleset.catalogue import Catalogue
from service.settings import Settings


class App(Flask):
    """Without views that are coroutines, which Flask would look for in every request."""

    def ensure_sync(self, func: Callable[..., Any]) -> Callable[..., Any]:
        """The view itself."""
        return func


def create_app(settings: Settings | None = None) -> Flask:
    """The application with its rule sets loaded.

    Raises:
        RuleSetError: if a rule set cannot be used.
        KeysError: if the keys file cannot be used.
        SettingsError: if they, or the environment where they are not given, cannot be used.
    """
    chosen = Settings.from_environment() if settings is None else settings
    app = App("service", static_folder=None)
    observe(app, chosen)
    limit_bodies(app, chosen.max_body_bytes, chosen.max_batch_bytes)
    app.url_map.strict_slashes = True
    app.url_map.redirect_defaults = False
    app.url_map.merge_slashes = False
    app.url_map.converters["rule_set_id"] = RuleSetId
    app.extensions[settings_key] = chosen
    install(app, Catalogue.load(chosen.rules))
    limit_trials(app, chosen)
    set_guard(app, chosen)
    app.register_error_handler(Problem, handle_problem)
    app.register_error_handler(Exception, handle_exception)
    api = create_api(app)
    for blueprint in (
        assessments,
        batches,
        calculations,
        rule_sets,
        trials,
        graphs,
        health,
        scraped,
    ):
        api.register_blueprint(blueprint)
    app.register_blueprint(docs)  # a page for people is not in the document for programs
    return app
