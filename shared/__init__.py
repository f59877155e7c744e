"""What things mean and the science, pure: no port, file, clock, log or thread."""
