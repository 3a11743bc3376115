"""Run the program as `python -m defectscan`."""

from defectscan.cli.main import run

if __name__ == "__main__":
    run()
