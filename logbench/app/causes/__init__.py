"""What explains it all, and the next test: the same on Review and in a job."""
