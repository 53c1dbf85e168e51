"""`python -m fieldscore` is the same program as `fieldscore`."""

from fieldscore.cli import main

main()
