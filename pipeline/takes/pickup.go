package takes

// pickUp puts the passages of a pickup into the line.
func (s *splicer) pickUp(raw int, l line) error {
	return nil
}
