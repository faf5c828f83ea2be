package testfile

func (d *decoder) channelList(t *Test, read func(path string) ([]byte, error)) {}
