"""Makes a judgement of the readings: physics, detectors, diagnosis, alarms, notices, the command line."""
