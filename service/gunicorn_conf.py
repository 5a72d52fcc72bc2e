"""How the service runs under gunicorn, whether started by `ohmpath serve` or by hand:

gunicorn -c python:service.gunicorn_conf "service.app:create_app()"
"""

from __future__ import annotations

import gc
import logging
from typing import Any

from service.observe import multiprocess

# Read before the app is: what it counts is counted for all workers together.
multiprocess.prepare()

bind = "127.0.0.1:8080"
workers = 2
# Assessing holds the interpreter lock; threads only keep slow clients from blocking others.
worker_class = "service.running.worker.ProblemWorker"
threads = 16
timeout = 30
graceful_timeout = 10
keepalive = 5
# Load before forking: a rule set that cannot be used fails the start, not worker after worker.
preload_app = True
limit_request_line = 4094
limit_request_fields = 50
accesslog = None
# If somebody turns it on: who and what, but no query and no referrer, where a token may stand.
access_log_format = '%(h)s - %({remote_user}e)s %(t)s "%(m)s %(U)s %(H)s" %(s)s %(b)s %(L)s'
errorlog = "-"
logger_class = "service.observe.gunicorn_log.GunicornLog"
# Nothing but HTTP to talk to, and no socket file left in a home directory.
control_socket_disable = True


def on_starting(server: Any) -> None:
    """Look at the addresses before anything listens on them; let workers count; have SIGHUP take
    over rule sets."""
    from service.running import descriptors
    from service.running.reloading import ReloadingArbiter
    from service.running.server import refuse_open_door
    from service.settings import Settings

    refuse_open_door(server.cfg.address, Settings.from_environment())
    limit = descriptors.make_room()
    most = descriptors.connections(limit, server.cfg.worker_connections)
    server.cfg.set("worker_connections", most)
    multiprocess.hand_over(server.cfg.uid, server.cfg.gid)  # which may be another user's
    if server.cfg.preload_app:  # without it the master has no rule sets, and gunicorn reloads all
        # Gunicorn has no setting for the class of its master, however it is started.
        server.__class__ = ReloadingArbiter
        server.prepare()


def when_ready(server: Any) -> None:
    """Look again, at the sockets as they are: some come from outside, already open."""
    from service.running.server import refuse_open_door, warn_of_open_door
    from service.settings import Settings

    addresses = [one.getsockname() for one in server.LISTENERS]
    refuse_open_door(addresses, Settings.from_environment())
    warn_of_open_door(addresses, Settings.from_environment())


def child_exit(server: Any, worker: Any) -> None:
    """Forget what a worker had that has ended, but not what it has counted."""
    multiprocess.died(worker.pid)
    if hasattr(server, "ended"):
        server.ended(worker.pid)


def post_worker_init(worker: Any) -> None:
    """Build in each worker, before its first request, what is built lazily or has threads."""
    from service.api.health import prove
    from service.api.installed import install_key
    from service.api.observing import failed, watch_caches
    from service.observe import spans

    spans.set_up()
    try:
        catalogue = worker.app.callable.extensions[install_key]
        prove(catalogue)
        watch_caches(catalogue)
        # What is there now stays: looking through it for garbage would be in vain, time and again.
        gc.collect()
        gc.freeze()
    except Exception as error:
        failed(error)
        # The worker lives on and says so at /readyz; ending it would only start the next one.
        logging.getLogger("service").exception("a worker cannot assess cases")
