"""What encoders and converters will do to a master: made, measured, judged; and the ceiling that is safe for all."""
