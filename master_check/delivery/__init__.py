"""Deliveries: the file that each place takes, made of one master, measured again, compared with it and listed."""
