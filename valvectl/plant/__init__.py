"""Parts joined into the machine: steady balance, schedule, linear models, time simulation."""
