"""Files that a command is given, read with a clear line where that fails."""

from pathlib import Path

from forktail.circuits import shipped_files
from forktail.core.checks import QuantityError
from forktail.core.files import MAX_SIZE


def read_bytes(path, what, most, advice=""):
    """Bytes of a file.

    Parameters
    ----------
    path : str
    what : str
        What is asked for, such as "a capture as CSV".
    most : int
        Bytes.
    advice : str
        What to do with one that is longer.

    Raises
    ------
    QuantityError
        If it cannot be read, or is longer than `most`.
    """
    try:
        size = Path(path).stat().st_size
        if size > most:
            raise QuantityError(f"{path} has {size} bytes; {what} has at most {most}.{advice}")
        return Path(path).read_bytes()
    except OSError as error:
        raise QuantityError(f"{path}: {error.strerror}; give {what}.") from None


def read_text(path, what, most):
    """Text of a file in UTF-8, with or without a byte order mark; see `read_bytes`."""
    try:
        return read_bytes(path, what, most).decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        raise QuantityError(f"{path} is not UTF-8 text; give {what}.") from None


def circuit_text(path):
    """Text of a circuit file; a name alone also finds the files that come with the app."""
    found = Path(path)
    if not found.exists() and found.name == str(path) and found.suffix in ("", ".toml"):
        found = shipped_files().get(found.stem, found)
    return read_text(found, f"a circuit file, or one of {', '.join(shipped_files())}", 4 * MAX_SIZE)
