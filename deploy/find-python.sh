#!/bin/sh
# Prints the first Python on the path that Dewline runs on, or says what to install.
for name in python3.11 python3.12 python3.13 python3; do
    if "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        command -v "$name"
        exit 0
    fi
done
echo "Dewline needs Python 3.11 or newer on the path, e.g. Debian's package python3 (Debian 12 and later)." >&2
exit 1
