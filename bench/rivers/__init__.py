"""Real river water with technicians' labels: the probe-fault path against QARTOD."""
