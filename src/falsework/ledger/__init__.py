"""The ledger: what was printed, what was read off it, and everything that was ever corrected.

Its names are those of ``__init__.pyi``, looked up when they are first used.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
