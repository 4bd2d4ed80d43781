"""Plants one fault as its module is imported, in this process and in those that it starts: nothing on disk is
changed, and kernels stay compiled. ``PLANTED_FAULT`` holds the module's name, its path and what stands where
instead, as JSON. See ``mutants.py``."""

import importlib.machinery
import json
import os
import resource
from pathlib import Path
from types import CodeType

MOST_BYTES = 24 << 30  # a fault may ask for any amount of memory

if told := os.environ.get("PLANTED_FAULT"):
    fault = json.loads(told)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, resource.getrlimit(resource.RLIMIT_AS)[1]))
    sound = importlib.machinery.SourceFileLoader.get_code

    def get_code(loader: importlib.machinery.SourceFileLoader, name: str) -> CodeType | None:
        if name != fault["module"]:
            return sound(loader, name)
        source = Path(loader.path).read_bytes()
        source = source[: fault["start"]] + fault["text"].encode() + source[fault["end"] :]
        return compile(source, loader.path, "exec", dont_inherit=True)

    importlib.machinery.SourceFileLoader.get_code = get_code  # type: ignore[method-assign]
