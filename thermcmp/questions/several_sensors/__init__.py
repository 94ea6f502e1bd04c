"""One fix on several sensors, and what its remount did."""
