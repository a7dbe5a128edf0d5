"""CAN: links, codecs and the CiA 402 drive group."""
