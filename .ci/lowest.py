"""Prints the lowest version that pyproject.toml allows of each dependency, for pip -c."""

import re
import tomllib
from pathlib import Path

project = tomllib.loads(Path("pyproject.toml").read_text("utf-8"))["project"]
for wanted in (*project["dependencies"], *project["optional-dependencies"]["test"]):
    print(re.sub(r"(\[.*\])?>=([^,]+).*", r"==\2", wanted))
