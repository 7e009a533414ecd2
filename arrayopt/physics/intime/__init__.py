"""Arrays of chips as they are made, cell by cell, in time (M12)."""
