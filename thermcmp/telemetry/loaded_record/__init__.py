"""What the whole record at load shows: switched conditions, cycles and slow drifts."""
