"""`python -m logbench` is the command line."""

from logbench.cli.main import run

if __name__ == "__main__":
    run()
