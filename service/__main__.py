"""`python -m service` is the same as `ohmpath`."""

from service.commands.main import main

main(prog_name="ohmpath")
