"""One person: is the change real, is it enough, how sure. The core path needs only ``math`` and ``statistics``."""
