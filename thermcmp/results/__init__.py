"""The results table: columns, rules, checks and reading."""
