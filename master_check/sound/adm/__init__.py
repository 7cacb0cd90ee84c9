"""The Audio Definition Model (ITU-R BS.2076) in a file's `chna` and `axml` chunks."""
