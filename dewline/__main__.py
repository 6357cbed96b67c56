"""`python -m dewline`: the same as the command `dewline`."""

from dewline.cli import main

if __name__ == "__main__":
    main()
