"""Everything that was said during a fit, kept in an MCAP file (mcap.dev) and read again.

Each published message lies there in the very bytes in which it travelled: one channel for each
topic, message encoding ``msgpack``, log time of its arrival. What a message means is in the wire
protocol, whose text is the schema. The file is written in chunks of half a second, each with its
checksum, so that whatever ends the recording leaves all chunks before readable.
"""
