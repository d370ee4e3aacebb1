"""What a triode gain stage is, its physics and its scores: pure functions of arrays.

A :class:`Stage`, a device and :func:`assess` give every score of one stage or a batch of them. The
stub beside this file lists the public names; they are loaded when they are first used.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
