from .changes.draft import ChangeKind as ChangeKind
from .features.candidates import candidates as candidates
from .pipeline import redraw as redraw
from .pipeline import redraw_for as redraw_for
from .request import Scope as Scope
from .value import Redraw as Redraw
