"""For every test: property tests draw the same examples each time, so that a red run can be run again."""

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
