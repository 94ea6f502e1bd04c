"""Sphinx settings: `sphinx-build -W docs site` builds the pages and the reference."""

project = "thermcmp"
author = "the thermcmp developers"
# Docstrings are numpydoc; Sphinx reads them by its own extension.
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
napoleon_google_docstring = False
napoleon_use_rtype = False
autodoc_typehints = "none"
autodoc_member_order = "bysource"
source_suffix = {".md": "markdown"}
root_doc = "index"
myst_heading_anchors = 3
html_theme = "alabaster"
# Pages link to files of the repository that are not pages of this folder.
# A docstring names its own fields, which other classes may have too.
suppress_warnings = ["myst.xref_missing", "ref.python"]
html_copy_source = False
