"""Shared by all tests: how hypothesis looks for counterexamples."""

import os

from hypothesis import HealthCheck, settings

# no deadline: no test may depend on the speed of the machine
settings.register_profile(
    "forktail",
    deadline=None,
    max_examples=100,
    derandomize=bool(os.environ.get("CI")),
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("forktail")
