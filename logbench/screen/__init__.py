"""A second screen: values, strips and markers of a drive on a phone or tablet nearby."""
