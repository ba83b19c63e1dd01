"""The command `forktail serve`: the app."""

from forktail.cli.options import RAW, add_quantity, read_quantity
from forktail.core.spec import number

PORT = number("port", 5006, "", 0, 65535, whole=True, label="Port, 0 for a free one")
WORKERS = number("workers", 1, "", 1, 64, whole=True, label="Worker processes")


def command_serve(args):
    """Run the app."""
    port = int(read_quantity(args.port, "--port", PORT))
    workers = int(read_quantity(args.workers, "--workers", WORKERS))
    from forktail.server.app import run  # the app is imported only when it is wanted

    return run(
        port=port,
        host=args.host,
        workers=workers,
        open_browser=not args.no_open,
        lessons=args.lessons,
        room_code=args.room_code,
    )


def add_parser(commands):
    """Add the command to the parser."""
    parser = commands.add_parser(
        "serve",
        help="run the app",
        formatter_class=RAW,
        description="Run the app and open it in the browser. It listens on this machine only,\n"
        "unless --host says otherwise.",
        epilog="Example: forktail serve --port 5010 --no-open",
    )
    add_quantity(parser, "--port", PORT)
    parser.add_argument(
        "--host", default="127.0.0.1", help="address to listen on (default %(default)s)"
    )
    add_quantity(parser, "--workers", WORKERS)
    parser.add_argument(
        "--room-code",
        metavar="CODE",
        help="what the presenter of a class must know (default: one is made up and shown here)",
    )
    parser.add_argument("--no-open", action="store_true", help="do not open a browser")
    parser.add_argument(
        "--lessons",
        metavar="DIR",
        help="folder with lessons of yours, beside those of the app; open pages follow its files",
    )
    parser.set_defaults(run=command_serve)
