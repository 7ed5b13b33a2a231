"""``python -m rinsewatch``."""

from rinsewatch.cli.main import main

if __name__ == "__main__":
    main()
