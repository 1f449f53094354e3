"""Who stands where: rooms, projectors, monitors, instruments, tolerances."""
