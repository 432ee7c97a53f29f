"""What can be measured: the Service 01 table as data, decoding, VIN, trouble-code texts."""
