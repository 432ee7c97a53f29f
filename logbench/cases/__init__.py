"""What the window and the command line can do, each a case: a request, its progress, one answer."""
