"""The place where a capture is dropped: takes the file in pieces and shows how far work is."""

import base64
import binascii

import param

from forktail.core.capture.read import MAX_BYTES
from forktail.ui.component import Component

#: Largest piece of a file in one message, characters of base64.
_PIECE = 2**20


class CaptureDrop(Component):
    """Drop zone, file choice and example button.

    Parameters
    ----------
    on_file : callable
        `on_file(name, data)` with the bytes of a whole file.
    on_circuit : callable
        `on_circuit(name, text)` with a circuit file.
    on_example, on_cancel : callable
    """

    limit = param.Integer(default=MAX_BYTES, doc="Largest file, bytes.")

    script = "pages/compare/drop.js"
    sheets = ("assets/pages/compare/style.css",)

    def __init__(self, on_file, on_circuit, on_example, on_cancel, **params):
        super().__init__(**params)
        self.on_file, self.on_circuit = on_file, on_circuit
        self.on_example, self.on_cancel = on_example, on_cancel
        self._name, self._size, self._data, self._ticket = "", 0, None, None

    def tell(self, text, bad=False, share=None):
        """Say how things stand; `share` None hides the bar."""
        self.patch = {"text": text, "bad": bad, "share": share}

    def refuse(self, text):
        """Say why nothing was taken."""
        self._data = None
        self.patch = {"text": text, "bad": True, "share": None, "stop": True}

    def handle(self, message):
        if not isinstance(message, dict):
            return
        kind = message.get("kind")
        if kind == "begin":
            size = message.get("size")
            if not isinstance(size, int) or not 0 <= size <= self.limit:
                self.refuse(
                    f"The file is too large; a capture has at most {self.limit // 2**20} "
                    "MiB. Export fewer rows, or fewer channels."
                )
                return
            self._name = str(message.get("name", "capture"))[:100]
            self._size, self._data = size, bytearray()
            self._ticket = message.get("ticket")
            self._answer()
        elif kind == "piece" and self._data is not None:
            if message.get("ticket") == self._ticket:
                self._piece(message.get("data"))
        elif kind == "end" and self._data is not None:
            data, self._data = bytes(self._data), None
            if len(data) != self._size:
                self.refuse(
                    f"Of {self._name} only {len(data)} of {self._size} bytes arrived; "
                    "please drop it again."
                )
            else:
                self.on_file(self._name, data)
        elif kind == "cancel":
            self._data = None
            self.on_cancel()
        elif kind == "example":
            self.on_example()
        elif kind == "circuit":
            self.on_circuit(
                str(message.get("name", ""))[:100], str(message.get("text", ""))[:500_000]
            )

    def _piece(self, text):
        if not isinstance(text, str) or len(text) > _PIECE:
            self.refuse("A piece of the file was too large to take.")
            return
        try:
            self._data += base64.b64decode(text, validate=True)
        except binascii.Error:
            self.refuse(f"A piece of {self._name} did not arrive whole; please drop it again.")
            return
        if len(self._data) > self._size:
            self.refuse(f"More of {self._name} arrived than was announced; nothing was taken.")
            return
        self._answer()

    def _answer(self):
        self.patch = {"ack": self._ticket, "at": len(self._data)}
