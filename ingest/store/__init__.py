"""Where readings are kept: append and range-read, whatever lies beneath.

Start with `protocol.ReadingStore`, the one contract; `embedded.EmbeddedStore` is the default behind it.
"""

from ingest.store.embedded import EmbeddedStore
from ingest.store.protocol import ReadingStore, StoreError

__all__ = ["EmbeddedStore", "ReadingStore", "StoreError"]
