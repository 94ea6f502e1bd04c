"""Small, exact physics of cooling tests; each function names its source."""
