"""Tables as data: the measured quantities, the loudspeaker layouts."""
