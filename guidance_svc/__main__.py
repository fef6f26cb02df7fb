"""``python -m guidance_svc`` and the ``guidance-svc`` command."""

from guidance_svc.cli import main

if __name__ == "__main__":
    main()
