"""Products ranked at equal conditions."""
