"""`python -m leanmix`."""

from leanmix.cli import main

if __name__ == "__main__":
    main()
