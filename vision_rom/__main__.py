"""``python -m vision_rom`` is ``vision-rom``."""

from vision_rom.cli import main

if __name__ == "__main__":
    main()
