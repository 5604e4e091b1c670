package migrations

// For tests, which work with steps of their own.
var (
	UpWith       = up
	CheckWith    = check
	VersionsWith = versions
)

const LockID = int64(lockID)
