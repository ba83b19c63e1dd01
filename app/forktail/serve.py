"""Server set-up: pages, static files, address and limits."""

import panel as pn

from .pages.steer import steer
from .resources import assets_dir

ROUTES = {"/": steer}


def make_server(port=5006, host="127.0.0.1", workers=1, open_browser=False, start=False):
    """Build the server.

    Parameters
    ----------
    port : int
        0 lets the system choose.
    host : str
        Address to listen on; loopback unless told otherwise.
    workers : int
        Worker processes.
    open_browser, start : bool
        Open the page in the user's browser; run until stopped.

    Returns
    -------
    bokeh.server.server.Server
    """
    origins = [f"{name}:{port}" for name in dict.fromkeys((host, "localhost", "127.0.0.1"))]
    return pn.serve(
        ROUTES, port=port, address=host, show=open_browser, start=start, title="Forktail",
        websocket_origin=origins if port else None, num_procs=workers, verbose=False,
        static_dirs={"assets": str(assets_dir())})
