"""The command line, a module a group of commands."""
