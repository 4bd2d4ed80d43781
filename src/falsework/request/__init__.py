"""What is asked of the bench, as values: a part, how it is placed, what is wished of it, and in what context.

A request is checked once, when it is made, and then travels whole: command line, Python and the bench in the
browser make the same values, and the same values are stored.

Its names are those of ``__init__.pyi``, looked up when they are first used.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
