"""How the pages of this folder become a site: ``./run docs`` builds it, ``./run test`` without a warning."""

from __future__ import annotations

import sys
from pathlib import Path

from falsework.version import __version__

sys.path.insert(0, str(Path(__file__).parent / "site"))

project = "falsework"
author = "the falsework developers"
copyright = "the falsework developers; Apache License 2.0"
release = version = __version__

extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "docstrings",
    "sphinx.ext.napoleon",
    "sphinx_click",
    "sphinx_copybutton",
    "settings_reference",
    "screening_reference",
]
exclude_patterns = ["site", "pictures/gallery/cards.md"]
myst_enable_extensions = ["colon_fence", "deflist"]
myst_heading_anchors = 3

nitpicky = False  # types of other libraries have no page here
napoleon_google_docstring = False
napoleon_use_rtype = False
autodoc_typehints = "none"
autodoc_member_order = "bysource"
add_module_names = False

html_theme = "furo"
html_title = f"falsework {__version__}"
html_show_sourcelink = False
