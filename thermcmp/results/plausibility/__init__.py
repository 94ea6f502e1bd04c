"""Doubts about a table that is sound in form."""
