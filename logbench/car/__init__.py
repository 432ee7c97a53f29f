"""The car: who it is, what is known of it, and whether two cars are one."""
