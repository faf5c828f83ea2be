package testfile

func (d *decoder) crossCheck(t *Test) {}
