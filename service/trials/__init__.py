"""Rule sets that are not installed: checked, run over cases, held against the installed ones."""
