"""The paragraph about answers that an article can print, and the check of one's own words."""
