"""Sphinx settings: `sphinx-build -W docs site` builds the pages of this folder."""

project = "thermcmp"
author = "the thermcmp developers"
extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
root_doc = "index"
myst_heading_anchors = 3
html_theme = "alabaster"
# Pages link to files of the repository that are not pages of this folder.
suppress_warnings = ["myst.xref_missing"]
html_copy_source = False
