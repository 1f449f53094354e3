"""``python -m matchlib`` is the command line."""

from matchlib.cli import main

if __name__ == "__main__":
    main()
