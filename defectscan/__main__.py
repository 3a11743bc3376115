"""Run the program as `python -m defectscan`."""

from defectscan.cli.main import program

if __name__ == "__main__":
    program()
