"""The forms behind the named calculations: what each takes, checks, works out and gives.

No formula is written here; `service.physics` has them.
"""
