"""Put together all that the boards start from: ``python -m tests.pi``. What is there already is left as it is."""

from tests.pi.board import device_tree, initrd
from tests.pi.card import card, start_root
from tests.pi.suite import userland

device_tree()
initrd()
start_root()
userland()
print(card())
