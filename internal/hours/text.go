package hours

// MarshalText writes the date as String does, so that it can be a key in JSON.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads what ParseDate reads.
func (d *Date) UnmarshalText(text []byte) error {
	var err error
	*d, err = ParseDate(string(text))
	return err
}
