"""A fit held against other models of its rows."""
