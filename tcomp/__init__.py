"""Learn a crystal oscillator's frequency against temperature, and correct readings with it.

``docs/python.md`` shows each name at work.  The names and their types stand in ``__init__.pyi``, from which they are loaded
when they are first used, so that ``import tcomp`` takes no time.
"""

import lazy_loader

__version__ = "0.1.0"

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
