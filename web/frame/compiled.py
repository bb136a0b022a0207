"""Templates as Python's bytecode, kept beside them as Python keeps its modules'. Compiling those of one page takes a processor of a
small board a second, and jinja's compiler four megabytes that do not come back.

``python -m web.frame.compiled [FOLDER]`` compiles them all, for a station that may not write there.
"""

import sys
from contextlib import suppress
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from pickle import UnpicklingError

from jinja2 import Environment, FileSystemBytecodeCache
from jinja2.bccache import Bucket

MADE_WITH = Path(__file__).with_name("render.py")
"""What else decides about the bytecode: the environment's settings stand there."""


class Compiled(FileSystemBytecodeCache):
    """A template's name alone says where its bytecode is: it may be made under another root than it runs. jinja itself compares
    the source's hash and Python's version."""

    def __init__(self, folder: Path) -> None:
        made = sha256(MADE_WITH.read_bytes() + version("jinja2").encode()).hexdigest()[:8]
        super().__init__(str(folder), f"%s-{made}.jinja")

    def get_cache_key(self, name: str, filename: str | None = None) -> str:
        return super().get_cache_key(name)

    def load_bytecode(self, bucket: Bucket) -> None:
        try:
            super().load_bytecode(bucket)
        except (OSError, EOFError, UnpicklingError):  # half a file, after a power cut
            bucket.reset()

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Where the folder cannot be written, the template is compiled at each start."""
        with suppress(OSError):
            Path(self.directory).mkdir(exist_ok=True)
            super().dump_bytecode(bucket)
            # jinja's own is its maker's alone to read: what root installs, the service has to.
            Path(self.directory, self.pattern % (bucket.key,)).chmod(0o644)


def compile_all(environment: Environment) -> None:
    """Have every template's bytecode where the environment keeps it."""
    for name in environment.list_templates(extensions=["html"]):
        environment.get_template(name)


if __name__ == "__main__":
    from web.frame.render import ENVIRONMENT

    if sys.argv[1:]:
        ENVIRONMENT.bytecode_cache = Compiled(Path(sys.argv[1]))
    compile_all(ENVIRONMENT)
