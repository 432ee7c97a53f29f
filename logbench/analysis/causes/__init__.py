"""What explains all of it: causes with probabilities, and the test that decides."""
