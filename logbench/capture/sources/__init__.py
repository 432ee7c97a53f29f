"""What a capture polls: a car behind a link, a simulated car, a finished recording."""
