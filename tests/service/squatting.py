"""Programs that find out the first automatic routing id of a process, and take those that come after it."""

PREDICT = """
import zmq
context = zmq.Context()
router, dealer = context.socket(zmq.ROUTER), context.socket(zmq.DEALER)
router.setsockopt(zmq.RCVTIMEO, 60000)
dealer.connect(f"tcp://127.0.0.1:{router.bind_to_random_port('tcp://127.0.0.1')}")
dealer.send(b"x")
print(router.recv_multipart()[0][1:].hex())
"""

SQUAT = """
import sys, zmq
from guidance_svc.service.router import Router
from guidance_svc.files.settings import Limits
router, context, peers = Router("tcp://127.0.0.1:0", Limits()), zmq.Context(), []
for routing_id in (*sys.argv[1:], None):
    peer = context.socket(zmq.DEALER)
    peers.append(peer)
    if routing_id:
        peer.setsockopt(zmq.ROUTING_ID, bytes.fromhex("00" + routing_id))
    peer.connect(router.endpoint)
    peer.send(b"x")
    assert router.socket.poll(60000)
    assert router.receive().payload == b"x"
print("alive")
context.destroy(0)
"""
