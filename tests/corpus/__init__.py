"""Real sound files by the thousand, each measured or refused for a reason that a second decoder confirms.

`python -m tests.corpus` fetches Debian packages, unpacks them in a temporary folder and looks at every sound file in
them; it needs apt-get, dpkg and ffmpeg. `test_judge` holds the judge against files whose truth is known.
"""
