#!/usr/bin/env python3
"""Writes the broken deliveries beside this file: a folder a case, with `delivery/` and `expected.txt`.

Python's standard library alone, and the same bytes on any machine. `--check` writes nothing and fails where a file
differs from what would be written, is missing, or belongs to no case.
"""

import pathlib
import shutil
import sys

from cases import CASES

HERE = pathlib.Path(__file__).resolve().parent


def wanted():
    """Every file of every case: path from here, and bytes."""
    out = {}
    for name, case in CASES.items():
        for path, content in case.files.items():
            out[f"{name}/delivery/{path}"] = content.encode() if isinstance(content, str) else content
        out[f"{name}/expected.txt"] = case.expected().encode()
    return out


def there():
    """Every file that is there below the folders of cases."""
    folders = [path for path in HERE.iterdir() if path.is_dir() and path.name not in ("cases", "__pycache__")]
    files = (file for folder in folders for file in folder.rglob("*") if file.is_file())
    return {file.relative_to(HERE).as_posix(): file.read_bytes() for file in files}


def main():
    files = wanted()
    if sys.argv[1:] == ["--check"]:
        found = there()
        names = sorted(files.keys() | found.keys())
        wrong = [name for name in names if files.get(name) != found.get(name)]
        for name in wrong:
            state = "differs" if name in files and name in found else "is missing" if name in files else "belongs to no case"
            print(f"{name} {state}", file=sys.stderr)
        sys.exit(1 if wrong else 0)
    if sys.argv[1:]:
        sys.exit(f"usage: {sys.argv[0]} [--check]")
    for name in {path.split("/")[0] for path in there()}:
        shutil.rmtree(HERE / name)
    for name, content in files.items():
        path = HERE / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    print(f"{len(CASES)} deliveries, {sum(map(len, files.values()))} bytes")


if __name__ == "__main__":
    main()
