"""What the machine is asked for and what holds it back: workloads, sensors, modes."""
