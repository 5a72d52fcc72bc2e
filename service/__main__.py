"""`python -m service` is the same as `ohmpath`."""

from service.cli import main

main(prog_name="ohmpath")
