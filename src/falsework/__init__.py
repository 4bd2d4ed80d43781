"""falsework: the bench for supports in filament printing.

::

    import falsework

    plan = falsework.plan("ventilator-cowl.stl", "pla-0.4")
    falsework.write_plan(plan, "cowl-plan")

Its names are those of ``__init__.pyi``, looked up when they are first used.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
