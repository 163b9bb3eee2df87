package journal

// Head gives the last number given and the newest that is durable, zero for none:
// what a stream says with every batch, without the rest of State.
func (j *Journal) Head() (head, durableThrough uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.head, j.durable.Load()
}
