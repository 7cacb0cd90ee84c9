"""Sound as a source of blocks: files, samples in memory, their format and their checksum."""
