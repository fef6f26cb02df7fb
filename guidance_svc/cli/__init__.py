"""The commands, each a thin entry. Bodies import what they need, so that --help is quick."""

from guidance_svc.cli import serving  # isort: skip  # commands are listed in this order
from guidance_svc.cli import flights, recordings
from guidance_svc.cli.common import app

__all__ = ["app", "flights", "main", "recordings", "serving"]


def main() -> None:
    """Entry point of the command."""
    from guidance_svc.service.kernel_cache import keep_kernels
    from guidance_svc.systems import write_utf8

    write_utf8()
    keep_kernels()
    app()
