"""Many rooms, many days."""
