"""What the whole record at load shows: switched conditions, moving air, cycles and slow drifts."""
