"""``python -m falsework``: the command line."""

from falsework.cli import main

if __name__ == "__main__":
    main()
