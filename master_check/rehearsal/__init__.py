"""What encoders and converters will do to a master: rehearsed, measured, judged; and the ceiling that is safe for all."""
