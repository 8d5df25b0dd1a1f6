/** Address of the page on which one result is reviewed. */
export function reviewPath(rowId: string): string {
  return `/review/${encodeURIComponent(rowId)}`;
}

export function bundleReviewPath(rowId: string): string {
  return `/review/bundles/${encodeURIComponent(rowId)}`;
}

/** Address of the page on which the cause of a contrary result is signed, with the series of its container. */
export function causePath(rowId: string): string {
  return `${reviewPath(rowId)}/cause`;
}

/** Address of the page on which the labels of a result are compared with the container. */
export function labelsPath(rowId: string): string {
  return `${reviewPath(rowId)}/labels`;
}

/** Address of the page that says where one result belongs. */
export function placePath(rowId: string): string {
  return `/attributions/results/${encodeURIComponent(rowId)}`;
}

export function attributionPath(id: string): string {
  return `/attributions/${encodeURIComponent(id)}`;
}
