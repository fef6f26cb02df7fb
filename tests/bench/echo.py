"""A bare ROUTER echo, drained in batches: the floor that the service is compared with.

    python -m tests.bench.echo
"""

from __future__ import annotations

import zmq

BATCH = 256


def main() -> None:
    """Print the endpoint, then echo until killed."""
    context = zmq.Context()
    router = context.socket(zmq.ROUTER)
    router.setsockopt(zmq.LINGER, 0)
    port = router.bind_to_random_port("tcp://127.0.0.1")
    print(f"ready: zmq tcp://127.0.0.1:{port} tcp none", flush=True)
    while True:
        router.poll()
        batch = []
        for _ in range(BATCH):
            try:
                batch.append(router.recv_multipart(zmq.NOBLOCK))
            except zmq.Again:
                break
        for frames in batch:
            router.send_multipart(frames)


if __name__ == "__main__":
    main()
