"""Running under gunicorn: the server and its workers, and how rule sets are reloaded."""
