"""Settings of all tests."""

from hypothesis import settings

# A loaded machine is slow now and then; examples are not timed.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")
