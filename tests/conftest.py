"""Random tests draw the same examples in every run and have no deadline, so that none fails by chance; look
for new ones with ``pytest --hypothesis-profile=default``."""

from hypothesis import settings

settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")
