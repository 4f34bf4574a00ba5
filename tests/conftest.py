"""What holds for all tests: no outcome may hang on how busy the machine is."""

from hypothesis import HealthCheck, settings

settings.register_profile(
    "busy machine", deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.load_profile("busy machine")
