"""The virtual robot: plant, sensors, battery, firmware and faults, steppable in virtual time and seeded."""
